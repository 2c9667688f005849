// Package balance plans top balancing: from frames it estimates how much more
// charge each cell holds at the top than the emptiest one, how sure that is,
// and how long each cell is to bleed.
//
// What is told is an imbalance with its uncertainty (95 %), each cell's excess and
// what it has still to bleed. Cells bleed to the target and no further: down to the
// lowest cell would cost half as much energy again. Part of what is uncertain is
// common to all cells (the curve, what relaxes) and takes little from a difference;
// hysteresis is followed, since a cell that bled reads less than one that did not.
//
// It computes in floating point and outside the machine; its answers enter a
// run as recorded events, so that a replay needs no planner. It is pure: no
// clock, no I/O, no randomness. It decides nothing about safety, and knows
// nothing of the virtual bench's physics.
package balance
