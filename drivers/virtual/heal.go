package virtual

// Heal ends every fault and forgets those still to come, as somebody does who
// has put the bench right. What faults have done stays done: a blown fuse, a
// drained or hot cell, an output that was dropped.
func (b *Bench) Heal() {
	for i := range b.faults {
		if f := &b.faults[i]; f.active {
			f.active, f.over = false, true
			b.apply(f, -1)
			b.truth.note(b.now, "fault-over", f.String())
		}
	}
	b.faults = b.faults[:0]
	b.arrange()
}
