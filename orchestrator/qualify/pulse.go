package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// pulseTimes are the seconds after the edge at which a resistance is taken: those
// of check pulses, and 18 and 30 s of the power profiles of ISO 12405-4 and the
// US national-lab manual (from memory).
var pulseTimes = [...]float64{0.1, 1, 2, 5, 10, 18, 30}

// pulseAsked are the times that are told about even where no pulse reached them.
func pulseAsked(at float64) bool { return at == 1 || at == 10 }

// Conditions for comparing resistances between modules, common practice:
// every sensor within 2 K of the others and 25 +/- 3 degC.
const (
	pulseSpread  = 2.0
	pulseTemp    = 25.0
	pulseTempTol = 3.0
)

// Levels of a pulse's edge, as shares of its step.
const (
	edgeLow, edgeHalf, edgeHigh = 0.1, 0.5, 0.9
	// edgeStill is how much of its step the current may have before the edge, beside
	// twice what the shunt may read without one: where a monitor reads often, the
	// foot of the ramp is no rest.
	edgeStill = 0.005
	// edgeMoves is how much of the step the current may change between two
	// frames of the plateau.
	edgeMoves = 0.002
)

// shortShare is how much too early, as a share of its time, a result may be
// taken.
const shortShare = 1.0 / 50

type pulsePhase uint8

const (
	pulseIdle pulsePhase = iota
	pulseRising
	pulseOn
)

// resist is one resistance measurement, or why there is none.
type resist struct {
	seen   bool
	reason string
	// index, pass and label are the step's.
	index, pass int
	label       string
	flaw        string // what is wrong with the whole step
	di          float64
	dv          float64
	dvOK        bool
	cells       []float64 // voltage change of each cell, V
	// noise is each cell's standard deviation of one reading, from the frames
	// before the edge, and meter the meter's; dof their degrees of freedom.
	noise []float64
	meter float64
	dof   float64
	// late is the half width of the edge's instant in s; drift how fast the voltage
	// step grows there, as a share of it per second. Taps and volts tell how far from
	// the current's instant the taps and the meter read. Blend is the noise of what is
	// read between two frames, relative to one's.
	late, drift float64
	taps, volts lateness
	blend       float64
	temp        float64 // degC, mean
	spread      float64 // K
	// rest is each cell's voltage before the edge, V, and sum the meter's.
	rest []float64
	when drivers.Instant // of the last reading before the edge
}

// pulses finds the edges of current pulses and takes voltages at set times
// after them, one pulse at a time.
type pulses struct {
	scan    *scanner
	slew    [2]float64   // A/s by direction: 0 discharge, 1 charge
	wants   [][2]float64 // by step: magnitude of the pulse in each direction, A
	planned [2]bool
	reach   [2]float64 // s, the longest pulse planned
	edge    [2]float64 // V, where a cell may go at most by direction
	most    [2]float64 // A, the limit of the current by direction
	period  float64
	taps    lateness // of the taps and of the meter, against the current
	volts   lateness
	skew    float64 // worst skew plus averaging window of cells and current, s
	gap     drivers.Span

	phase   pulsePhase
	dir     int
	want    float64
	pre     snapshot
	older   snapshot // before pre
	isOlder bool     // there is one
	preAt   drivers.Instant
	prev    snapshot // the frame before
	now     snapshot
	prevAt  drivers.Instant
	havePre bool
	t0      float64 // s after preAt
	rise    float64 // s, from a tenth to nine tenths of the step
	still   float64 // A, twice what the shunt may read without a current
	box     int     // the contactors' state, -1 without
	late    float64 // s, the half width of what is known of t0
	ramp    edge
	between [2]float64 // s after preAt, of the readings between which the half was crossed
	next    int        // index in pulseTimes
	missing bool
	index   int
	pass    int
	label   string

	noise []float64
	meter float64
	dof   float64
	temp  float64
	gapK  float64
	// course is how the taps' steps together grew: where the plateau began, at each
	// result, and where it ended.
	course []grown

	results [2][len(pulseTimes)]resist
	counted [2]int
}

func (p *pulses) init(plan *machine.Plan, s *scanner) {
	p.scan = s
	p.slew = s.slew
	p.edge = [2]float64{float64(plan.Limits.CellMin) * 1e-6, float64(plan.Limits.CellMax) * 1e-6}
	p.most = [2]float64{float64(plan.Limits.DischargeMax) * 1e-6, float64(plan.Limits.ChargeMax) * 1e-6}
	p.period = seconds(plan.Bench.Monitor.Period)
	p.gap = gapPeriods * plan.Bench.Monitor.Period
	p.wants = make([][2]float64, len(plan.Steps))
	for i := range plan.Code {
		c := &plan.Code[i]
		if c.Op != machine.OpPulse || c.Drive == nil || c.Drive.Lead != nil || c.Step < 0 || c.Step >= len(p.wants) {
			continue
		}
		dir := 0
		if c.Drive.Direction == machine.Charging {
			dir = 1
		}
		p.wants[c.Step][dir] = float64(c.Drive.Current) * 1e-6
		p.planned[dir] = true
		p.reach[dir] = max(p.reach[dir], seconds(c.Drive.Span))
	}
	for i, c := range s.layout.Channels {
		if i < s.cells || i == s.current {
			p.skew = max(p.skew, seconds(c.Skew)+seconds(c.Window))
		}
	}
	p.taps, p.volts = s.lateness(0), s.lateness(s.voltage)
	p.course = make([]grown, 0, len(pulseTimes)+2)
	for _, x := range []*snapshot{&p.pre, &p.older, &p.prev, &p.now} {
		x.cells = make([]float64, s.cells)
	}
	_, offset := s.accuracy(s.current)
	p.box = -1
	if s.current >= 0 {
		p.still = max(2*offset, 4*s.mul[s.current])
		p.box = s.layout.Find(drivers.BoxState)
	}
	p.noise = make([]float64, s.cells)
	for d := range p.results {
		for k := range p.results[d] {
			p.results[d][k].cells = make([]float64, s.cells)
			p.results[d][k].noise = make([]float64, s.cells)
			p.results[d][k].rest = make([]float64, s.cells)
		}
	}
}

// frame takes the frame that the ring was just given.
func (p *pulses) frame(a *Analyser, now *reading) {
	r := a.run
	if r == nil || p.wants[r.index] == [2]float64{} {
		if p.phase != pulseIdle {
			p.over()
		}
		p.havePre = false
		return
	}
	// A meter that did not measure since the last frame repeats itself.
	fresh := true
	if m := p.scan.meterBeat; m >= 0 && a.ring.len() > 1 {
		fresh = a.ring.row(0)[m] != a.ring.row(1)[m]
	}
	p.now.take(p.scan, now, a.ring.row(0), fresh)
	if p.havePre && now.at.Sub(p.prevAt) > p.gap {
		p.missing = true
	}
	p.step(a, r, now)
	p.prev, p.now = p.now, p.prev // the slices change hands
	p.prevAt = now.at
}

func (p *pulses) step(a *Analyser, r *run, now *reading) {
	if p.phase == pulseOn {
		if p.level() >= edgeHigh {
			p.plateau(now)
			return
		}
		p.over()
	}
	if p.phase == pulseIdle && !p.begin(a, r, now) {
		return
	}
	x := p.level()
	if x < edgeLow {
		p.phase, p.havePre = pulseIdle, false
		return
	}
	since := seconds(now.at.Sub(p.preAt))
	if x >= edgeHalf && p.t0 < 0 {
		// t = 0 is where current crosses half its step.
		before := (p.prev.i - p.pre.i) / (p.want - p.pre.i)
		w := (edgeHalf - before) / (x - before)
		last := seconds(p.prevAt.Sub(p.preAt))
		p.t0 = last + w*(since-last)
		p.between = [2]float64{last, since}
	}
	p.ramp.see(since, x)
	if x >= edgeHigh {
		p.rise, p.late = since, since/2
		if t0, half, ok := p.ramp.found(p.between); ok {
			p.t0, p.late = t0, half
		}
		// Frames see an edge no sharper than their period; what the instrument
		// declares is better where the frames do not contradict it.
		if slew := p.slew[p.dir]; slew > 0 {
			declared := (edgeHigh - edgeLow) * math.Abs(p.want-p.pre.i) / slew
			if since <= declared+2*p.period {
				p.rise = min(since, declared)
			}
		}
		p.phase = pulseOn
		p.unblend()
		p.course = append(p.course[:0], grown{since - p.t0, p.sum(&p.now)})
		p.counted[p.dir]++
	}
}

// ready takes the latest frame before a step with pulses as the first one
// without current: the edge may follow at once.
func (p *pulses) ready(a *Analyser, r *run) {
	w := p.wants[r.index]
	if w == [2]float64{} || math.Abs(a.last.i) >= edgeLow*least(w) {
		return
	}
	p.prev.take(p.scan, &a.last, a.ring.row(0), true)
	p.pre.copy(&p.prev)
	p.preAt, p.prevAt, p.havePre, p.missing, p.isOlder = a.last.at, a.last.at, true, false, false
}

// least is the smaller of the pulses that a step has.
func least(w [2]float64) float64 {
	if w[0] == 0 || w[1] > 0 && w[1] < w[0] {
		return w[1]
	}
	return w[0]
}

// begin keeps the latest frame without a pulse, and says whether one begins.
func (p *pulses) begin(a *Analyser, r *run, now *reading) bool {
	dir := 0
	if now.i > 0 {
		dir = 1
	}
	want := p.wants[r.index][dir]
	quiet := math.Abs(now.i) < edgeLow*least(p.wants[r.index])
	if want == 0 && !quiet {
		p.havePre = false // a current that the step has no pulse for
		return false
	}
	if quiet {
		if p.havePre && math.Abs(now.i) > max(edgeStill*least(p.wants[r.index]), p.still) {
			return false
		}
		p.isOlder = p.havePre && now.at.Sub(p.preAt) <= p.gap
		p.older.copy(&p.pre)
		p.pre.copy(&p.now)
		// The meter's last value stands for rest even where it is a frame old.
		p.pre.v, p.pre.vOK = now.v, now.vOK
		p.preAt, p.havePre, p.missing = now.at, true, false
		return false
	}
	if !p.havePre {
		return false // the pulse was under way before anything was seen of it
	}
	p.dir, p.want = dir, want
	if dir == 0 {
		p.want = -want
	}
	p.phase, p.t0, p.next = pulseRising, -1, 0
	p.ramp = newEdge(p.want-p.pre.i, p.slew[dir])
	if p.prevAt > p.preAt {
		// The foot of the ramp, which was no rest any more.
		p.ramp.see(seconds(p.prevAt.Sub(p.preAt)), (p.prev.i-p.pre.i)/(p.want-p.pre.i))
	}
	p.index, p.pass, p.label = r.index, r.pass, r.spec.Label
	p.quiet(a)
	return true
}

// level is how far the current has come, as a share of its step.
func (p *pulses) level() float64 { return (p.now.i - p.pre.i) / (p.want - p.pre.i) }

// plateau takes the results whose time has come.
func (p *pulses) plateau(now *reading) {
	t := seconds(now.at.Sub(p.preAt)) - p.t0
	tPrev := seconds(p.prevAt.Sub(p.preAt)) - p.t0
	for p.next < len(pulseTimes) && t >= pulseTimes[p.next]-1e-9 {
		at := pulseTimes[p.next]
		if short := at - tPrev; p.moves() && short <= at*shortShare {
			// The current has begun to fall: cells and current are not of one
			// instant any more, and the frame before tells what it was like.
			p.take(&p.prev, &p.prev, 1, max(short, 0))
			continue
		}
		if p.falls() {
			// A reading within the falling edge has less current than its cells,
			// which were sampled before it: a few per cent too much resistance.
			p.open(&p.results[p.dir][p.next], fmt.Sprintf("the current falls after %.3g s", tPrev))
			p.next++
			continue
		}
		w := 1.0
		if t > tPrev {
			w = min(max((at-tPrev)/(t-tPrev), 0), 1)
		}
		p.take(&p.prev, &p.now, w, 0)
	}
}

// falls says that the current is smaller in this frame than in the one before.
func (p *pulses) falls() bool {
	return (p.prev.i-p.now.i)/(p.want-p.pre.i) > edgeMoves
}

// moves says that the current is not the same in this frame and the one before.
func (p *pulses) moves() bool {
	return math.Abs(p.now.i-p.prev.i) > edgeMoves*math.Abs(p.want)
}
