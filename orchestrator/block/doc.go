// Package block is the lossless codec for a run of frames of one layout: the
// instants, sequence numbers, echo numbers and raw counts of a few frames or of
// many thousand, packed to near the entropy of their noise.
//
// It knows no channel kinds, no units, no files and no clock; only integers.
// The format is described to the byte in format.md beside this file, and a
// block written once stays readable for good: a change of format takes a new
// version byte.
//
// A damaged block is reported (ErrCorrupt), never guessed at: a checksum covers
// every byte, and sizes are bounded before memory is taken.
package block
