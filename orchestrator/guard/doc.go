// Package guard judges one frame at a time: is every cell, temperature and
// current inside its limits, and can the numbers be believed at all? It is
// pure: no clock, no I/O, no randomness, no floating point, no allocation in
// Check. The machine calls it inside Step, so that a replay of a run's frames
// reaches the same findings.
//
// Missing, stale, repeated, frozen and impossible data are findings like a
// breach (INV-02). Limits are compiled once into raw counts, rounded to the
// safe side. What to do about a finding is the machine's business.
package guard
