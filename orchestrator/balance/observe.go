package balance

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// resistance estimates what current adds to each cell's voltage: a fast part,
// seen a few seconds after an edge from rest, and a slow part that builds up
// within about a minute. Only edges on the flat part of the curve count, since
// on the steep part the charge of that minute moves the voltage too.
type resistance struct {
	fast, slow []float64 // Ohm
	known      []bool
	slowAmps   float64   // current behind a low-pass of slowTau
	before     []float64 // V at rest before the edge
	quiet      drivers.Instant
	edge       drivers.Instant
	edgeAmps   float64
	jump       []float64 // Ohm after fastAfter, candidates
	last       drivers.Instant
	resting    bool
	watching   bool
}

const (
	slowTau   = 40 * drivers.Second
	fastAfter = 3 * drivers.Second
	slowAfter = 90 * drivers.Second
	// quietBefore is the shortest rest before an edge that counts.
	quietBefore = 60 * drivers.Second
	// guessedPart is how far off the plan's resistance may be for a cell whose
	// own was not seen; seenPart the same for one that was.
	guessedPart, seenPart = 0.3, 0.08
)

func newResistance(n int, start float64) resistance {
	r := resistance{
		fast: make([]float64, n), slow: make([]float64, n), known: make([]bool, n),
		before: make([]float64, n), jump: make([]float64, n),
	}
	for i := range n {
		r.fast[i], r.slow[i] = start, start/2
	}
	return r
}

func (r *resistance) see(p *Planner, at drivers.Instant, amps float64) {
	if r.last != 0 {
		r.slowAmps += (amps - r.slowAmps) * -math.Expm1(-float64(at.Sub(r.last))/float64(slowTau))
	}
	r.last = at
	if !p.flowing(amps) {
		if !r.resting {
			r.resting, r.quiet = true, at
		}
		r.watching = false
		copy(r.before, p.volts)
		return
	}
	if r.resting {
		r.resting = false
		r.watching = at.Sub(r.quiet) >= quietBefore
		r.edge, r.edgeAmps = at, 0
	}
	if !r.watching {
		return
	}
	since := at.Sub(r.edge)
	switch {
	case since >= fastAfter && r.edgeAmps == 0:
		r.edgeAmps = amps
		for i, v := range p.volts {
			r.jump[i] = (v - r.before[i]) / amps
		}
	case r.edgeAmps != 0 && math.Abs(amps-r.edgeAmps) > 0.1*math.Abs(r.edgeAmps):
		r.watching = false
	case since >= slowAfter:
		r.take(p, amps)
	}
}

// take accepts the edge for cells that stood on the flat part all the while.
func (r *resistance) take(p *Planner, amps float64) {
	r.watching = false
	for i, v := range p.volts {
		slow := (v-r.before[i])/amps - r.jump[i]
		flat := v-amps*(r.jump[i]+slow) < p.knee.first && r.before[i] < p.knee.first
		if flat && r.jump[i] > 0 && slow >= 0 {
			r.fast[i], r.slow[i], r.known[i] = r.jump[i], slow, true
		}
	}
	var fast, slow []float64
	for i := range r.known {
		if r.known[i] {
			fast, slow = append(fast, r.fast[i]), append(slow, r.slow[i])
		}
	}
	if len(fast) == 0 {
		return
	}
	f, s := median(fast), median(slow)
	for i := range r.known {
		if !r.known[i] {
			r.fast[i], r.slow[i] = f, s
		}
	}
}

// open returns a cell's voltage without what the current adds.
func (r *resistance) open(i int, volts, amps float64) float64 {
	return volts - amps*r.fast[i] - r.slowAmps*r.slow[i]
}

// part is how far off a cell's resistance may be.
func (r *resistance) part(i int) float64 {
	if r.known[i] {
		return seenPart
	}
	return guessedPart
}

// doubt is the standard uncertainty of open, V: the cell's own, and what cells
// of one make have in common. How fast the slow part follows is known least of
// all, and is alike in all cells but for how large the part is.
func (r *resistance) doubt(i int, amps float64) (own, common float64) {
	part := r.part(i)
	static := part * (math.Abs(amps)*r.fast[i] + math.Abs(r.slowAmps)*r.slow[i])
	late := 0.6 * math.Abs(amps-r.slowAmps) * r.slow[i]
	return math.Hypot(static, late*part), late
}

// rest holds the cells' voltages while nothing flows.
type rest struct {
	volts []float64
	since drivers.Instant // 0: something flows
	// recent is the current behind a low-pass of recentTau: what relaxes still.
	recent float64
	last   drivers.Instant
}

const (
	restTau = 15 * drivers.Second
	// restSettled is the shortest rest whose voltages tell anything. What the
	// current before it left behind is doubted as a voltage of its own, which a
	// cell that is full, and takes no current, does not have.
	restSettled = drivers.Second
	recentTau   = 3 * drivers.Minute
	// restCommon and restOwn are what relaxation and hysteresis may still hide in
	// a long rest, V, in all cells alike and in one.
	restCommon, restOwn = 0.004, 0.001
)

func (r *rest) see(p *Planner, at drivers.Instant, amps float64, bleeding bool) {
	if !p.flowing(amps) {
		amps = 0
	}
	if r.last != 0 {
		r.recent += (amps - r.recent) * -math.Expm1(-float64(at.Sub(r.last))/float64(recentTau))
	}
	r.last = at
	if bleeding || amps != 0 {
		r.since = 0
		return
	}
	if r.since == 0 {
		r.since = at
		copy(r.volts, p.volts)
		return
	}
	k := float64(bucketSpan) / float64(restTau)
	for i, v := range p.volts {
		r.volts[i] += (v - r.volts[i]) * k
	}
}

// charged is a cell's voltage at rest, V, as if on the charging branch.
func (r *rest) charged(p *Planner, i int) float64 {
	off, _ := p.branch.off(i)
	return r.volts[i] + off
}

func (r *rest) settled(now drivers.Instant) bool {
	return r.since != 0 && now.Sub(r.since) >= restSettled
}

// doubt is the standard uncertainty of a cell's voltage at rest, V.
func (r *rest) doubt(p *Planner, i int) (own, common float64) {
	left := math.Abs(r.recent) * p.path.slow[i]
	_, h := p.branch.off(i)
	return math.Sqrt(p.tap*p.tap + restOwn*restOwn + h*h + p.path.part(i)*left*p.path.part(i)*left), math.Hypot(restCommon, left)
}

// episode is one stretch of charging. It notes the counted charge at which each
// cell's open-circuit voltage passes each level of the knee from below.
type episode struct {
	on     bool
	begun  drivers.Instant
	count  int         // episodes that ended
	cross  [][]float64 // Ah, NaN where it did not
	own    [][]float64 // standard uncertainty of the crossing's voltage, V
	common [][]float64 // the same, of what all cells have in common
	open   []float64   // latest open-circuit voltage of each cell, V
	before []float64   // x of the bucket before
}

// settleIn is how long charging must have lasted before a crossing counts: in
// its first moments the voltage rises without charge. lookAfter is the least
// charge that counts at all; a cell that is full ends it within seconds.
const settleIn, lookAfter = 30 * drivers.Second, 3 * drivers.Second

func newEpisode(cells, levels int) episode {
	e := episode{
		open: make([]float64, cells), before: make([]float64, cells),
		cross: make([][]float64, cells), own: make([][]float64, cells), common: make([][]float64, cells),
	}
	for i := range cells {
		e.cross[i], e.own[i], e.common[i] = make([]float64, levels), make([]float64, levels), make([]float64, levels)
	}
	return e
}

func (e *episode) see(p *Planner, at drivers.Instant, amps float64) {
	charging := amps > 0 && p.flowing(amps)
	switch {
	case charging && !e.on:
		e.begin(p, at)
	case !charging && e.on:
		e.on = false
		if at.Sub(e.begun) >= lookAfter {
			e.count++
			p.take()
		}
		return
	}
	if !e.on {
		return
	}
	for i, v := range p.volts {
		was := e.open[i]
		off, _ := p.branch.off(i)
		e.open[i] = p.path.open(i, v, amps) + off
		if at.Sub(e.begun) >= settleIn {
			e.pass(p, i, was, amps)
		}
		e.before[i] = p.x[i]
	}
}

func (e *episode) begin(p *Planner, at drivers.Instant) {
	e.on, e.begun = true, at
	for i := range e.cross {
		for k := range e.cross[i] {
			e.cross[i][k] = math.NaN()
		}
		off, _ := p.branch.off(i)
		e.open[i], e.before[i] = p.volts[i]+off, p.x[i]
	}
}

// pass notes every level between the two latest open-circuit voltages, the
// first time only.
func (e *episode) pass(p *Planner, i int, was, amps float64) {
	k := &p.knee
	for l := max(0, int(math.Ceil((was-k.first)/ladderStep))); l < k.levels() && k.level(l) <= e.open[i]; l++ {
		if !math.IsNaN(e.cross[i][l]) || e.open[i] <= was {
			continue
		}
		part := (k.level(l) - was) / (e.open[i] - was)
		e.cross[i][l] = e.before[i] + part*(p.x[i]-e.before[i])
		e.own[i][l], e.common[i][l] = p.doubtAt(i, amps)
	}
}

// branch follows each cell's hysteresis: a cell that was charged reads more than
// one that bled to the same charge. All are held against each other as if on the
// charging branch.
type branch struct {
	// on is 1 on the charging branch, -1 on the discharging one.
	on []float64
}

// hysteresis is half the distance of the branches, V, hysteresisDoubt its
// standard uncertainty, and hysteresisPart the part of the capacity within which a
// cell changes from one to the other (usual sizes for LFP, common practice, no
// source).
const hysteresis, hysteresisDoubt, hysteresisPart = 0.006, 0.0015, 0.03

func newBranch(n int) branch {
	b := branch{on: make([]float64, n)}
	for i := range b.on {
		b.on[i] = 1
	}
	return b
}

// move takes in a charge, as a part of the capacity.
func (b *branch) move(i int, part float64) {
	to := 1.0
	if part < 0 {
		to, part = -1, -part
	}
	b.on[i] += (to - b.on[i]) * min(1, part/hysteresisPart)
}

// off is by how much a cell reads less than on the charging branch, V, and the
// standard uncertainty of that.
func (b *branch) off(i int) (volts, doubt float64) {
	return hysteresis * (1 - b.on[i]), hysteresisDoubt * (1 - b.on[i])
}

// doubtAt is the standard uncertainty of a cell's open-circuit voltage now, V.
func (p *Planner) doubtAt(i int, amps float64) (own, common float64) {
	own, common = p.path.doubt(i, amps)
	_, h := p.branch.off(i)
	return math.Sqrt(p.tap*p.tap + own*own + h*h), common
}
