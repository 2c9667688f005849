package balance

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Planner estimates each cell's excess charge from every frame it is shown, and
// plans the bleeding. All cells carry the same current, so that the charge
// counted at the moment in which each passes one voltage of the steep top
// compares them directly; on the flat part below, voltages say nothing and only
// bounds are known. It is for one goroutine.
type Planner struct {
	layout   *drivers.Layout
	monitor  drivers.MonitorSpec
	capacity float64 // Ah
	target   float64 // part of the capacity
	tap      float64 // standard uncertainty of a tap, V
	zero     float64 // A, what the shunt may read while nothing flows
	bleedOhm float64
	knee     knee

	// x is the charge counted into each cell since the start, Ah: what passed
	// the shunt less what it bled.
	x    []float64
	last drivers.Instant
	amps float64
	bled []float64 // Ah since the start

	bucket  bucket
	volts   []float64 // latest mean of each cell, V
	path    resistance
	branch  branch
	rest    rest
	top     episode
	cells   []cellState
	rounds  rounds
	stopped drivers.Instant // when a cell bled last
}

// cellState is what is known of one cell.
type cellState struct {
	// anchor is the x at which the cell stands at the top of the ladder, Ah, NaN
	// before it is known; own and common its standard uncertainty.
	anchor, own, common float64
	// floor is what the anchor is over, Ah, as the cell was seen below the knee.
	// NaN before.
	floor float64
}

func (c *cellState) sd() float64 { return math.Hypot(c.own, c.common) }

// Bounds of belief, with their reasons.
const (
	// gapMax is the longest gap between frames over which flowing current is
	// still counted, as a straight line; darkMax the longest gap over which rest
	// at both ends is taken for rest in between.
	gapMax  = drivers.Minute
	darkMax = 10 * drivers.Minute
	// defaultTarget serves where a plan has no balance step.
	defaultTarget = 0.003
)

// New returns a planner for the plan's article, bench and layout. It refuses a
// curve that is unusable or too flat near the top for the plan's target.
func New(plan *machine.Plan, curve Curve) (*Planner, error) {
	if err := curve.check(); err != nil {
		return nil, fmt.Errorf("balance: %w", err)
	}
	layout := &drivers.Layout{Channels: append([]drivers.Channel(nil), plan.Layout.Channels...)}
	if err := layout.Index(); err != nil {
		return nil, fmt.Errorf("balance: %w", err)
	}
	if layout.Find(drivers.ModuleCurrent) < 0 {
		return nil, fmt.Errorf("balance: layout has no %s channel; charge cannot be counted", drivers.ModuleCurrent)
	}
	p := &Planner{layout: layout, monitor: plan.Bench.Monitor, target: defaultTarget}
	p.capacity = ampereHours(plan.Rated)
	for _, i := range plan.Code {
		if i.Op == machine.OpBleed && i.Bleed != nil && i.Bleed.TargetPPM > 0 {
			p.target = float64(i.Bleed.TargetPPM) * 1e-6
			if i.Bleed.Capacity > 0 {
				p.capacity = ampereHours(i.Bleed.Capacity)
			}
			break
		}
	}
	if !(p.capacity > 0) {
		return nil, fmt.Errorf("balance: rated capacity is %d nC; it must be positive", plan.Rated)
	}
	top := curve.Points[len(curve.Points)-1].Voltage
	// A declared accuracy is a bound; taken as equally likely inside (GUM
	// 4.3.7), its standard uncertainty is the bound over the root of three.
	p.tap = float64(p.monitor.CellAccuracy.At(int64(top))+int64(p.monitor.CellStep)/2) * 1e-6 / math.Sqrt(3)
	// The shunt's own error is no current, however small the module is.
	p.zero = max(p.capacity/500, float64(p.monitor.CurrentAcc.At(0))*1e-6)
	p.bleedOhm = float64(p.monitor.Bleed) * 1e-6
	var err error
	if p.knee, err = newKnee(curve, p.capacity, p.target, p.tap); err != nil {
		return nil, fmt.Errorf("balance: %w", err)
	}
	n := layout.Cells()
	p.x, p.bled, p.volts = make([]float64, n), make([]float64, n), make([]float64, n)
	p.cells = make([]cellState, n)
	for i := range p.cells {
		p.cells[i] = cellState{anchor: math.NaN(), floor: math.NaN()}
	}
	p.bucket.sum = make([]float64, n)
	p.path = newResistance(n, float64(plan.CellResistance)*1e-6)
	p.branch = newBranch(n)
	p.rest.volts = make([]float64, n)
	p.top = newEpisode(n, p.knee.levels())
	p.rounds = newRounds(n)
	return p, nil
}

func ampereHours(q drivers.Charge) float64 { return float64(q) / float64(drivers.AmpereHour) }

// Observe takes in one frame. It wants every frame of a run, in order; the view
// is not needed, since the frames carry all that matters as measured.
func (p *Planner) Observe(f *drivers.Frame, _ *machine.View) {
	if f == nil || len(f.Counts) != len(p.layout.Channels) {
		return
	}
	if c := f.Counts[p.layout.Find(drivers.ModuleCurrent)]; c != drivers.NoReading {
		p.count(f, float64(p.layout.Channels[p.layout.Find(drivers.ModuleCurrent)].Scale.Value(c))*1e-6)
	} else {
		p.count(f, p.amps) // the guard judges missing readings; here the last one holds
	}
	if p.bucket.add(p.layout, f, p.amps) {
		p.everySecond(f.At)
	}
}

// count adds the charge since the frame before.
func (p *Planner) count(f *drivers.Frame, amps float64) {
	before := p.amps
	dt := f.At.Sub(p.last)
	first := p.last == 0
	p.amps, p.last = amps, f.At
	if first || dt <= 0 {
		return
	}
	if dt > darkMax || dt > gapMax && (p.flowing(before) || p.flowing(amps)) {
		p.forget()
		return
	}
	h := float64(dt) / float64(drivers.Hour)
	q := (before + amps) / 2 * h
	for i := range p.x {
		p.x[i] += q
	}
	if p.flowing(before) && p.flowing(amps) {
		for i := range p.x {
			p.branch.move(i, q/p.capacity)
		}
	}
	if p.bleedOhm <= 0 {
		return
	}
	for i := range p.x {
		if p.bleeding(f, i) {
			b := p.volts[i] / p.bleedOhm * h
			p.x[i] -= b
			p.bled[i] += b
			p.branch.move(i, -b/p.capacity)
			p.stopped = f.At
		}
	}
}

func (p *Planner) bleeding(f *drivers.Frame, i int) bool {
	at := p.layout.Bleed(i / 16)
	return at >= 0 && f.Counts[at] > 0 && f.Counts[at]>>(i%16)&1 != 0
}

// flowing tells current from the shunt's own error.
func (p *Planner) flowing(amps float64) bool { return math.Abs(amps) > p.zero }

// forget drops what counted charge holds together: current flowed unseen.
func (p *Planner) forget() {
	for i := range p.cells {
		p.cells[i] = cellState{anchor: math.NaN(), floor: math.NaN()}
	}
	p.top.on = false
	p.rounds.restart()
}

// bucket averages about a second of frames, so that neither noise nor the
// monitor's steps move a crossing.
type bucket struct {
	sum   []float64
	amps  float64
	n     int
	begun drivers.Instant
	bleed bool
}

const bucketSpan = drivers.Second

// add takes a frame and says whether the bucket is full. A frame in which any
// cell is missing is left out.
func (b *bucket) add(l *drivers.Layout, f *drivers.Frame, amps float64) bool {
	for i := range b.sum {
		if f.Counts[i] == drivers.NoReading {
			return false
		}
	}
	if b.n == 0 {
		b.begun = f.At
	}
	for i := range b.sum {
		b.sum[i] += float64(f.Counts[i])
	}
	b.amps += amps
	b.n++
	for k := 0; l.Bleed(k) >= 0; k++ {
		b.bleed = b.bleed || f.Counts[l.Bleed(k)] != 0
	}
	return f.At.Sub(b.begun) >= bucketSpan-bucketSpan/10
}

// everySecond works on a full bucket's means.
func (p *Planner) everySecond(at drivers.Instant) {
	b := &p.bucket
	n := float64(b.n)
	s := p.layout.Channels[0].Scale
	for i := range p.volts {
		p.volts[i] = (float64(s.Offset) + b.sum[i]/n*float64(s.Num)/float64(s.Den)) * 1e-6
		b.sum[i] = 0
	}
	amps, bleeding := b.amps/n, b.bleed
	b.amps, b.n, b.bleed = 0, 0, false

	p.path.see(p, at, amps)
	p.rest.see(p, at, amps, bleeding)
	p.top.see(p, at, amps)
}
