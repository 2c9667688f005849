// Package virtual is the plant with a driver's face: a bench whose article,
// wires and instruments exist only as physics, seen through the sensors and
// commands that a real bench offers, with that bench's errors.
//
// A Bench runs in virtual time on one goroutine; its time moves only by
// Advance. Realtime wraps one so that several goroutines may use it while it
// follows a wall clock: the output then goes on flowing, as a real
// instrument's does, until somebody halts it or its own limits do.
//
// What lives here: sensors (noise, steps, errors inside the declared accuracy,
// skew, windows), instruments (delay, slew, steps, their own limits), the
// contactor box, faults, and the truth that judges look at. What may not: any
// physics of cells or circuits (drivers/plant has it), any decision about
// safety, and any import of the orchestrator. Nothing that decides may read
// the truth; only judges and tests may.
package virtual
