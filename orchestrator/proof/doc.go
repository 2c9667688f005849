// Package proof reads a proof of protections out of a run's record: which
// protection tripped, at which reading, in which times, and what of the way from
// the quantity to open contactors each row has exercised; the verdict on all of
// them; and whether such a proof still holds for a bench and a module on a day.
//
// It is pure: the plan and the record's lines go in, a report comes out, and the
// same record gives the same report. It proves nothing by itself: that is the
// machine's business, row by row.
package proof
