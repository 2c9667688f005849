// Package plant is the physics of the virtual bench: open-circuit tables and
// cells, the module they are welded into, and the network of contactors, link,
// supply and load around it. It is what the instruments of package virtual
// look at, and what the judge of a rehearsal knows: the true voltage,
// temperature and charge of every cell.
//
// The package is pure: no I/O, no clock, no logger, no goroutine. Time moves
// only by Advance. Instruments with their delays, noise and faults do not live
// here, nor does anything that estimates: an estimator elsewhere must not read
// these tables, or it would be judged by its own assumptions.
//
// # Units and signs
//
// float64 in SI units: V, A, Ohm, F, C (coulomb), J, W, K, s. Lengths of time
// handed over by callers are drivers.Span (us), so that events land exactly.
// Current into the article (charging) is positive; a resistance never is
// negative. A module's cells count from its negative end.
//
// # The same run on every processor
//
// The Go compiler may fuse a product and a sum into one rounding on some
// processors and not on others. An explicit conversion forbids it, therefore
// every product here is written float64(a*b); exp, log and the normal draw are
// our own over math/rand/v2's PCG, whose stream is specified. A test reads this
// package's source and fails on a product without its conversion, and a golden
// digest of a seeded run is kept.
//
// # Where the time goes
//
// Per step a cell costs one table look-up and two exact exponential RC steps
// with factors shared by all cells and kept for the few step sizes in use.
// What changes slowly (resistances with temperature and state of charge, heat
// between neighbours) is refreshed once a second.
package plant
