package virtual

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// never is an instant that does not come.
const never drivers.Instant = math.MaxInt64

// fine is the longest step while currents move on their own: slew, contacts.
const fine = drivers.Millisecond

// Bench is a virtual bench. It is not safe for concurrent use; see Realtime.
type Bench struct {
	cfg    Config
	layout *drivers.Layout
	plant  *plant.Bench
	module *plant.Module
	now    drivers.Instant

	supply, load power
	box          box
	monitor      monitor
	meter        meter

	noise, delays, chance *plant.Rand

	// monitorTick and fastTick are the next readings; fastTick is never unless
	// frames were asked for at the box's link period.
	monitorTick, fastTick drivers.Instant
	// moving is until when the plant is stepped finely.
	moving drivers.Instant

	counts []int32 // the latest reading of everything, in layout order
	due    bool    // a frame was made that Frame has not handed out
	dueAt  drivers.Instant
	path   framePath
	faults []faultState
	// mistakes are the faults that made the article another one.
	mistakes []Fault
	pending  drivers.Instant // when the next fault begins or ends
	truth    truthKeeper

	observer Observer // who is told, for other faces of the bench
}

// New makes a bench at rest: contactors open, link discharged, outputs off and
// not armed. Its sensors have read once.
func New(c Config) (*Bench, error) {
	c, err := c.withDefaults()
	if err != nil {
		return nil, err
	}
	layout, err := c.Bench.Layout()
	if err != nil {
		return nil, fmt.Errorf("virtual bench: %w", err)
	}
	p, err := c.plant()
	if err != nil {
		return nil, err
	}
	b := &Bench{
		cfg: c, layout: layout, plant: p, module: p.Module(), now: c.Start,
		noise:  plant.NewRand(c.Seed, streamNoise),
		delays: plant.NewRand(c.Seed, streamDelays),
		chance: plant.NewRand(c.Seed, streamChance),
		counts: make([]int32, len(layout.Channels)),

		fastTick: never, moving: c.Start, pending: never,
	}
	draw := plant.NewRand(c.Seed, streamErrors)
	b.supply.init(b, DeviceSupply, &b.cfg.Bench.Supply, draw)
	b.load.init(b, DeviceLoad, &b.cfg.Bench.Load, draw)
	b.box.init(b, draw)
	b.monitor.init(b, draw)
	b.meter.init(b, draw)
	b.truth.init(b)
	if err := b.initFaults(); err != nil {
		return nil, err
	}
	b.monitorTick = b.now
	b.measure()
	b.due = false
	return b, nil
}

// Streams of the seed, apart from those that plant uses.
const (
	streamErrors = 0x7669727475616c01 + iota
	streamNoise
	streamDelays
	streamChance
)

// Layout returns the layout of the bench's frames.
func (b *Bench) Layout() *drivers.Layout { return b.layout }

// Set returns the instruments; their calls act at the bench's present instant.
func (b *Bench) Set() drivers.Set {
	return drivers.Set{Supply: &b.supply, Load: &b.load, Box: &b.box, Monitor: &b.monitor, Meter: &b.meter}
}

// Now is the bench's present instant.
func (b *Bench) Now() drivers.Instant { return b.now }

// Next is the instant of the next frame: the present one while a frame made
// now waits for Frame.
func (b *Bench) Next() drivers.Instant {
	if b.due && b.dueAt == b.now {
		return b.now
	}
	return min(b.monitorTick, b.fastTick)
}

// Fast asks for frames at the box's link period, in which box, meter, supply
// and load are read anew; the monitor goes on at its own period.
func (b *Bench) Fast(on bool) {
	period := b.cfg.Bench.Box.LinkPeriod
	switch {
	case !on || period <= 0 || period >= b.cfg.Bench.Monitor.Period:
		b.fastTick = never
	case b.fastTick == never:
		b.fastTick = b.now.Add(period)
	}
}

// Advance moves time forward to t. Frames that fall due on the way and are not
// fetched are lost, as they would be to a caller that does not listen.
func (b *Bench) Advance(t drivers.Instant) {
	for b.now < t {
		b.step(b.event(t))
		b.happen()
	}
}

// event returns the earliest instant up to t at which something happens.
func (b *Bench) event(t drivers.Instant) drivers.Instant {
	e := min(t, b.monitorTick, b.fastTick, b.pending,
		b.supply.event(), b.load.event(), b.box.event(), b.monitor.bleedUntil)
	if b.now < b.moving {
		e = min(e, b.now.Add(fine))
	}
	// What is overdue happens now; time never goes back.
	return max(e, b.now)
}

// step lets physics run to t.
func (b *Bench) step(t drivers.Instant) {
	from := b.now
	if t > from {
		b.plant.Advance(t.Sub(from))
		b.now = t
		b.monitor.integrate(from, t)
		b.flow(t.Sub(from))
	}
	b.supply.protect()
	b.load.protect()
}

// happen carries out what is due at the present instant, in a fixed order.
func (b *Bench) happen() {
	if b.pending <= b.now {
		b.runFaults()
	}
	b.supply.happen()
	b.load.happen()
	b.box.happen()
	b.monitor.happen()
	b.truth.look(b)
	if b.monitorTick <= b.now || b.fastTick <= b.now {
		b.measure()
	}
	if b.observer != nil {
		b.observer.Stepped(b)
	}
}

// measure reads every instrument whose reading is due.
func (b *Bench) measure() {
	b.drift()
	if b.monitorTick <= b.now {
		b.monitorTick = b.now.Add(b.cfg.Bench.Monitor.Period)
		b.monitor.measure()
		if b.observer != nil {
			b.observer.Swept(b)
		}
	}
	if b.fastTick <= b.now {
		b.fastTick = b.now.Add(b.cfg.Bench.Box.LinkPeriod)
	}
	b.meter.measure()
	b.box.measure()
	b.supply.measure()
	b.load.measure()
	b.collect()
	b.due, b.dueAt = true, b.now
	b.path.hasBehind = false // lost, if nobody fetched it
	b.path.keep(b.now, b.counts)
}

// moves tells that currents or contacts move for a span from now.
func (b *Bench) moves(d drivers.Span) { b.moving = max(b.moving, b.now.Add(d)) }

// delay draws how long a device takes, up to longest, in whole milliseconds:
// the plant keeps its factors for few step sizes.
func (b *Bench) delay(longest drivers.Span) drivers.Span {
	d := drivers.Span(float64(longest) * (minDelay + float64((1-minDelay)*b.delays.Float64())))
	if d > 2*drivers.Millisecond {
		d -= d % drivers.Millisecond
	}
	return d
}

// minDelay is the shortest delay as a part of the longest.
const minDelay = 0.3
