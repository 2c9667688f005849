// Package sample has the statistics of small samples that find the odd one
// among siblings: robust z-scores, generalised ESD, Grubbs and Tukey fences.
// What gonum does right is taken from there, and checked.
//
// No function changes its argument. Values must be finite; the caller sorts
// out what is missing.
package sample
