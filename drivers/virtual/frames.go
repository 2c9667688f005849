package virtual

import "github.com/rigwarden/rigwarden/drivers"

// framePath is the way from the instruments to whoever asks for frames, with
// the faults that can befall it.
type framePath struct {
	stopped, repeating                int
	lostPPM, doubledPPM, reorderedPPM int64
	delay                             drivers.Span
	stepped                           drivers.Span // of the clock that stamps frames

	held []int32 // what is repeated
	// back is a frame that its successor is to overtake; behind is one that arrives
	// right behind the frame before.
	back, behind         []int32
	holdsBack, hasBehind bool
	// ring holds past frames, where a fault makes frames late.
	ring []oldFrame
	next int
}

type oldFrame struct {
	at     drivers.Instant
	counts []int32
}

// keepFor makes room for frames that are to be late by d.
func (p *framePath) keepFor(d, period drivers.Span, channels int) {
	n := min(int(d/max(period, 1))+2, 4096)
	for len(p.ring) < n {
		p.ring = append(p.ring, oldFrame{at: never, counts: make([]int32, channels)})
	}
}

// keep remembers a frame for those who get it late.
func (p *framePath) keep(at drivers.Instant, counts []int32) {
	if len(p.ring) == 0 {
		return
	}
	old := &p.ring[p.next]
	p.next = (p.next + 1) % len(p.ring)
	old.at = at
	copy(old.counts, counts)
}

// before returns the youngest frame made at or before t, or nil.
func (p *framePath) before(t drivers.Instant) []int32 {
	var best *oldFrame
	for i := range p.ring {
		f := &p.ring[i]
		if f.at <= t && (best == nil || f.at > best.at) {
			best = f
		}
	}
	if best == nil {
		return nil
	}
	return best.counts
}

// collect puts the latest readings into the layout's order.
func (b *Bench) collect() {
	l, c := b.layout, b.counts
	m := &b.monitor.latest
	copy(c, m.Cells)
	copy(c[l.Temp(0):], m.Temps)
	put := func(k drivers.Kind, v int32) {
		if i := l.Find(k); i >= 0 {
			c[i] = v
		}
	}
	put(drivers.ModuleCurrent, m.Current)
	put(drivers.ModuleVoltage, b.meter.latest.Voltage)
	put(drivers.LinkVoltage, b.box.latest.Link)
	put(drivers.BoxCurrent, b.box.latest.Current)
	put(drivers.SupplyVoltage, b.supply.latest.Voltage)
	put(drivers.SupplyCurrent, b.supply.latest.Current)
	put(drivers.LoadVoltage, b.load.latest.Voltage)
	put(drivers.LoadCurrent, b.load.latest.Current)
	put(drivers.BoxState, b.box.latest.State)
	put(drivers.SupplyState, b.supply.latest.State)
	put(drivers.LoadState, b.load.latest.State)
	put(drivers.MonitorBeat, m.Beat)
	put(drivers.MeterBeat, b.meter.latest.Beat)
	put(drivers.BoxBeat, b.box.latest.Beat)
	put(drivers.SupplyBeat, b.supply.latest.Beat)
	put(drivers.LoadBeat, b.load.latest.Beat)
	for k, w := range m.Bleeding {
		if i := l.Bleed(k); i >= 0 {
			c[i] = w
		}
	}
}

// Frame fills f with the youngest frame that was not fetched yet; ok is false
// where there is none, or where it was lost on its way. To make a frame the
// instruments are asked, so fetching one feeds the instruments' communication
// timeouts and the box's heartbeat. Seq and Echo are not the bench's to set.
func (b *Bench) Frame(f *drivers.Frame) (ok bool) {
	if !b.due {
		return false
	}
	b.due = false
	if b.path.hasBehind {
		b.path.hasBehind = false
		b.hand(f, b.path.behind)
		return true
	}
	b.supply.poll()
	b.load.poll()
	if b.box.faults.hung == 0 {
		b.box.heard = b.now
	}
	p := &b.path
	if p.stopped > 0 || b.happens(p.lostPPM) {
		return false
	}
	counts := b.counts
	if p.repeating > 0 {
		counts = p.held
	}
	if p.delay > 0 {
		if counts = p.before(b.now.Add(-p.delay)); counts == nil {
			return false
		}
	}
	if p.reorderedPPM > 0 || p.doubledPPM > 0 || p.holdsBack {
		if !b.shuffle(counts) {
			return false
		}
	}
	b.hand(f, counts)
	return true
}

// hand gives a frame away, stamped with the instant at which it was measured:
// whoever fetches it may come late.
func (b *Bench) hand(f *drivers.Frame, counts []int32) {
	f.At = b.dueAt.Add(b.path.stepped)
	f.Counts = append(f.Counts[:0], counts...)
}

// happens draws whether something with a probability happens; no draw is made
// for what cannot.
func (b *Bench) happens(ppm int64) bool {
	return ppm > 0 && int64(b.chance.IntN(1_000_000)) < ppm
}

// shuffle lets a frame be overtaken (false: it is not to be handed out now) or
// come twice.
func (b *Bench) shuffle(counts []int32) bool {
	p := &b.path
	switch {
	case p.holdsBack:
		p.holdsBack, p.hasBehind = false, true
		p.back, p.behind = p.behind, p.back
	case b.happens(p.reorderedPPM):
		p.holdsBack = true
		p.back = append(p.back[:0], counts...)
		return false
	case b.happens(p.doubledPPM):
		p.hasBehind = true
		p.behind = append(p.behind[:0], counts...)
	}
	b.due = p.hasBehind
	return true
}

func (p *power) poll() {
	if p.faults.hung == 0 {
		p.heard = p.b.now
	}
}
