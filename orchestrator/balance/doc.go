// Package balance plans top balancing: from frames it estimates how much more
// charge each cell holds at the top than the emptiest one, how sure that is,
// and how long each cell is to bleed.
//
// It computes in floating point and outside the machine; its answers enter a
// run as recorded events, so that a replay needs no planner. It is pure: no
// clock, no I/O, no randomness. It decides nothing about safety, and knows
// nothing of the virtual bench's physics.
package balance
