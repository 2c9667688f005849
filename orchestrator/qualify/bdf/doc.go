// Package bdf reads and writes time series in the Battery Data Format of the
// Battery Data Alliance (ontology 1.3.0): CSV with one header row of labels
// such as "Voltage / V", positive current meaning charge.
//
// Read makes figures of a file that anybody wrote, in one pass and bounded
// memory. It trusts no row: what is not a number, not finite, absurd, or steps
// back in time is named with its line, left out and counted, and never enters
// an integral. Writer writes our own frames, a module's or one cell's.
//
// Pure but for the reader and the writer that it is given.
package bdf
