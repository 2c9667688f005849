package virtual

import "github.com/rigwarden/rigwarden/drivers"

// land is contactor k's arrival. One that bounces on closing leaves again and
// comes back, a few milliseconds each, until it has come to rest closed.
func (x *box) land(k int) {
	bit := drivers.Contactors(1) << k
	if x.coil&bit == 0 || x.faults.bounce[k] <= 0 {
		x.rest[k], x.apart = never, x.apart&^bit
		return
	}
	if x.rest[k] == never { // it touches for the first time
		x.rest[k] = x.b.now.Add(x.faults.bounce[k])
		x.apart |= bit
	}
	if x.apart ^= bit; x.b.now >= x.rest[k] {
		x.rest[k], x.apart = never, x.apart&^bit
		return
	}
	again := drivers.Span(1+x.b.chance.IntN(bounceMost)) * drivers.Millisecond
	x.moves[k] = min(x.b.now.Add(again), x.rest[k])
}

// bounceMost is the longest part of a bounce, ms (common practice, no source).
const bounceMost = 3

// bouncy makes a contactor bounce for longer, or shorter, when it next closes.
func (x *box) bouncy(c drivers.Contactors, by drivers.Span) {
	for k := range x.faults.bounce {
		if c&(1<<k) != 0 {
			x.faults.bounce[k] += by
		}
	}
}
