// Package study asks what a profile on a bench can find: it draws modules with
// hidden defects and benches with errors, runs the production loop on them in
// virtual time, computes figures and verdict from what the sensors said, and
// compares with what the plant knew.
//
// It answers with curves: which part of the defects of a size was found, and
// whether the right cell was named; how often a good module is held back; and
// how often a stated interval holds the truth.
//
// What lives here: drawing, running, counting and telling. The estimators know
// nothing of it, and nothing imports it but the command.
package study
