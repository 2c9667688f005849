package virtual

import "slices"

// Clone returns a bench in the same state that shares nothing with b, its
// random streams included: both go on alike. The truth log and
// the observer stay with b.
func (b *Bench) Clone() *Bench {
	c := *b
	c.cfg.Truth = nil
	c.truth.log = nil
	c.observer = nil
	c.cfg.Faults = slices.Clone(b.cfg.Faults)
	c.cfg.Article.Defects = slices.Clone(b.cfg.Article.Defects)
	c.plant = b.plant.Clone()
	c.module = c.plant.Module()
	c.noise, c.delays, c.chance = b.noise.Clone(), b.delays.Clone(), b.chance.Clone()
	c.counts = slices.Clone(b.counts)
	c.faults, c.mistakes = slices.Clone(b.faults), slices.Clone(b.mistakes)
	c.path.held = slices.Clone(b.path.held)
	c.path.back, c.path.behind = slices.Clone(b.path.back), slices.Clone(b.path.behind)
	c.path.ring = slices.Clone(b.path.ring)
	for i := range c.path.ring {
		c.path.ring[i].counts = slices.Clone(c.path.ring[i].counts)
	}
	c.supply.b, c.supply.spec = &c, &c.cfg.Bench.Supply
	c.load.b, c.load.spec = &c, &c.cfg.Bench.Load
	c.box.b, c.box.spec = &c, &c.cfg.Bench.Box
	c.meter.b = &c
	c.monitor.adopt(&c)
	return &c
}

// adopt makes a shallow copy of a monitor the bench's own.
func (m *monitor) adopt(b *Bench) {
	m.b, m.spec = b, &b.cfg.Bench.Monitor
	m.cells, m.temps = slices.Clone(m.cells), slices.Clone(m.temps)
	m.before, m.sum = slices.Clone(m.before), slices.Clone(m.sum)
	m.words, m.stuckBleed = slices.Clone(m.words), slices.Clone(m.stuckBleed)
	m.faults.swapped, m.faults.shorted = slices.Clone(m.faults.swapped), slices.Clone(m.faults.shorted)
	l := &m.latest
	l.Cells, l.Temps, l.Bleeding = slices.Clone(l.Cells), slices.Clone(l.Temps), slices.Clone(l.Bleeding)
}
