// Package study asks what a profile on a bench can find: it draws modules with
// hidden defects and benches with errors, runs the production loop on them in
// virtual time, computes figures and verdict from what the sensors said, and
// compares with the defects that were drawn.
//
// It answers with curves: which part of the defects of a size was found, and
// whether the right cell was named; how often a good module is held back. How often
// a stated interval holds the truth is counted apart, over the recorded truth of a
// few runs that many drawn benches measure. STUDY.md says what is drawn and what
// was shortened.
//
// What lives here: drawing, running, counting and telling. The estimators know
// nothing of it, and nothing imports it but the command.
package study
