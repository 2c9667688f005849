// Package qualify turns the frames and records of one run into figures with
// their uncertainties, finds the odd cell among its siblings, and judges the
// figures against criteria that were fixed beforehand.
//
// It is pure: no clock, no file, no store, no goroutine. A run passes through
// an Analyser once, in order, in bounded memory however long it is; Frame
// allocates nothing. Figures are computed in float64. A figure that the data
// cannot prove (a paused step, missing frames, a cycle that did not run from
// full to empty) is marked unproven with its reason: the verdict then is
// unproven too, never a silent number.
//
// Below it: gum propagates uncertainty, sample has the statistics of small
// samples, sibling compares articles that should be alike, bdf reads and writes the Battery Data Format. Nothing here may
// import a store, a wire, the plant or its virtual bench: the estimators must
// know no more of a module than a real bench tells.
package qualify
