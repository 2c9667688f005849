package qualify

import (
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// gapPeriods is how many of the monitor's periods may lie between two readings
// before what lies between them counts as missing.
const gapPeriods = 3

// stepsMax bounds the list of steps in the figures, and with it the memory of a
// run however often its profile repeats.
const stepsMax = 4096

// Analyser computes the figures of one run in one pass: Record and Frame in
// the order of the run's sequence, then Finish. It is not safe for concurrent
// use.
type Analyser struct {
	plan        *machine.Plan
	coefficient Coefficient
	scan        scanner
	gap         drivers.Span // longer between two readings is missing data

	have bool
	last reading
	ring ring

	run      *run   // the step under way, nil between steps
	starting bool   // it has seen no frame yet
	ending   []*run // ended since the last frame, wait for it to be settled
	cut      bool   // a boundary lies between the last frame and the next
	cutAt    drivers.Instant
	before   *run // the step in force before the boundary

	pulses  pulses
	cycles  cycles
	rests   rests
	trend   trend
	leaks   leaks
	levels  levels
	curve   curve
	thermal thermal
	hiss    hiss
	tail    tail
	// quiet says that this frame is of a rest, wasQuiet that the one before was.
	quiet, wasQuiet bool
	bled            bled
	// bledRest is the charge bled when the rest under way began.
	bledRest float64

	steps    []Step
	unlisted int
	notes    []string
	balance  balance
	frames   int64
	left     leftOut
}

// leftOut counts frames that were not used, by reason.
type leftOut struct{ disordered, misfit, repeated, blind int64 }

// balance is what the records tell of balancing.
type balance struct {
	planned, done, gaveUp bool
	ppm, within           int64
	told                  bool
	reason                string // why it does not count, where it ended
}

// why says why balancing was not done.
func (b *balance) why() string {
	if b.reason == "" {
		return "balancing was not completed"
	}
	return b.reason
}

// Option sets what the figures are to be like before anything is measured.
type Option func(*Analyser)

// Corrected brings resistances to 25 degC by a declared coefficient.
func Corrected(c Coefficient) Option { return func(a *Analyser) { a.coefficient = c } }

// Agreed is what the criteria fix beforehand for the figures.
func Agreed(c *profiles.Criteria) Option {
	return Corrected(Coefficient{PerKelvin: float64(c.Correct.PerKelvin) * 1e-6, Within: float64(c.Correct.Within) * 1e-6})
}

// New returns an analyser for a run of the plan, whose layout every frame
// follows.
func New(plan *machine.Plan, options ...Option) *Analyser {
	a := &Analyser{plan: plan}
	for _, o := range options {
		o(a)
	}
	a.gap = gapPeriods * plan.Bench.Monitor.Period
	a.scan.init(plan)
	a.ring.init(a.scan.width)
	a.pulses.init(plan, &a.scan)
	a.cycles.init(plan)
	a.thermal.init(&a.scan)
	a.trend.init(&a.scan)
	a.hiss.init(&a.scan)
	a.tail.init(a.scan.cells, a.cycles.rated)
	a.curve.init(a.scan.cells, a.cycles.rated)
	a.bled.init(plan, &a.scan)
	for i := range plan.Steps {
		a.balance.planned = a.balance.planned || plan.Steps[i].Kind == "balance"
	}
	return a
}

// Record takes one record of the run, in its place between the frames. Kinds
// that the figures do not need are ignored.
func (a *Analyser) Record(at drivers.Instant, r machine.Record) {
	switch r.Kind {
	case machine.RecordStep:
		a.begin(at, r)
	case machine.RecordEnd:
		if a.run != nil {
			a.run.endText = r.Text
			a.end(at)
		}
	case machine.RecordPause:
		a.mark("paused")
	case machine.RecordResume:
		a.mark("resumed after a pause")
	case machine.RecordTrip:
		a.mark("the run tripped in this step")
	case machine.RecordNote:
		a.note(r.Text)
	}
}

func (a *Analyser) mark(why string) {
	if a.run != nil {
		a.run.flaw(why)
	}
}

// note picks the planner's imbalance out of the machine's sentence "imbalance
// 1200 ppm of capacity, uncertainty 300 ppm, ...".
func (a *Analyser) note(text string) {
	rest, ok := strings.CutPrefix(text, "imbalance ")
	if !ok {
		return
	}
	ppm, ok := leadingPPM(rest)
	if !ok {
		return
	}
	a.balance.ppm, a.balance.told = ppm, true
	a.balance.within = 0
	if _, after, found := strings.Cut(rest, "uncertainty "); found {
		a.balance.within, _ = leadingPPM(after)
	}
}

// leadingPPM reads the number that text begins with, followed by " ppm".
func leadingPPM(text string) (int64, bool) {
	number, _, ok := strings.Cut(text, " ppm")
	if !ok {
		return 0, false
	}
	n, err := strconv.ParseInt(number, 10, 64)
	return n, err == nil && n >= 0
}

func (a *Analyser) begin(at drivers.Instant, r machine.Record) {
	if a.run != nil { // the end of the step before was never recorded
		a.run.flaw("its end was not recorded")
		a.end(at)
	}
	if r.Step < 0 || r.Step >= len(a.plan.Steps) {
		a.notes = append(a.notes, "a record names step "+strconv.Itoa(r.Step)+", which the plan does not have")
		return
	}
	a.boundary(at)
	a.run = newRun(a.plan, r, at, &a.scan)
	a.starting = true
	if a.have {
		a.run.first(&a.scan, &a.last, a.ring.row(0))
		a.pulses.ready(a, a.run)
	}
}

func (a *Analyser) end(at drivers.Instant) {
	a.boundary(at)
	a.run.ended = at
	a.ending = append(a.ending, a.run)
	a.run = nil
}

// boundary notes that the step in force changes at an instant between frames.
func (a *Analyser) boundary(at drivers.Instant) {
	if !a.cut {
		a.cut, a.cutAt, a.before = true, at, a.run
	}
}

// Frame takes the next frame. It keeps nothing of f and allocates nothing,
// but for the steps that end with it.
func (a *Analyser) Frame(f *drivers.Frame) {
	if len(f.Counts) != a.scan.width {
		a.left.misfit++
		return
	}
	if a.have && f.At <= a.last.at {
		a.left.disordered++
		return
	}
	// A monitor whose counter stands still has not measured: the frame repeats
	// old values (INV-02) and must not be integrated as news.
	beat := a.scan.beat(f.Counts)
	if a.have && beat != drivers.NoReading && beat == a.last.beat {
		// Between two of its readings a bench may show others' faster ones.
		if f.At.Sub(a.last.at) >= a.plan.Bench.Monitor.Period {
			a.left.repeated++
		}
		return
	}
	now, ok := a.scan.read(f)
	if !ok {
		a.left.blind++
		return
	}
	now.beat = beat
	a.frames++
	if a.have {
		a.interval(&now)
	}
	a.ring.push(f)
	if a.run != nil {
		a.run.frame(&a.scan, &now, f.Counts)
	}
	a.thermal.frame(&a.scan, f.At, f.Counts, a.scan.flows(now.i))
	a.pulses.frame(a, &now)
	a.levels.frame(a)
	a.have, a.last = true, now
	a.settle()
	if a.run != nil {
		a.course(&now, f.Counts)
	}
}

// interval integrates from the last reading to this one, split where the step
// in force changed in between.
func (a *Analyser) interval(to *reading) {
	from := &a.last
	long := to.at.Sub(from.at)
	missing := drivers.Span(0)
	if long > a.gap {
		missing = long
	}
	a.bled.interval(&a.scan, a.ring.row(0), long)
	if !a.cut {
		a.run.add(&a.scan, from, to, missing)
		return
	}
	mid := between(from, to, a.cutAt)
	a.before.add(&a.scan, from, &mid, missing)
	a.run.add(&a.scan, &mid, to, missing)
}

// settle closes the steps that ended before the frame just taken.
func (a *Analyser) settle() {
	a.cut, a.before = false, nil
	if len(a.ending) == 0 {
		return
	}
	for i, r := range a.ending {
		a.close(r)
		a.ending[i] = nil
	}
	a.ending = a.ending[:0]
}

// course follows the step under way, once what ended before it is settled: that
// decides what it starts from.
func (a *Analyser) course(now *reading, counts []int32) {
	if a.starting {
		a.starting = false
		a.curve.begin(a.run, a.cycles.full != nil)
		a.trend.begin(now.at, a.plan.Bench.Monitor.Period)
		a.bledRest = a.bled.total
		a.tail.n = 0
	}
	if a.run.spec.Kind == "rest" {
		if a.quiet, a.wasQuiet = !a.scan.flows(now.i), a.quiet; a.quiet {
			a.trend.frame(&a.scan, now.at, counts)
			a.hiss.frame(counts, a.wasQuiet && !a.switched(counts))
		}
		return
	}
	a.quiet = false
	a.tail.frame(&a.scan, a.run, counts)
	if a.ring.len() > 1 {
		a.curve.frame(&a.scan, a.run, counts, a.ring.row(1))
	}
}

// switched says that contactors moved since the frame before: closing on to a link
// moves the voltages, which is no noise.
func (a *Analyser) switched(counts []int32) bool {
	return a.hiss.box >= 0 && a.ring.len() > 1 && counts[a.hiss.box] != a.ring.row(1)[a.hiss.box]
}

func (a *Analyser) close(r *run) {
	r.close(a)
	switch {
	case r.spec.Kind == "balance":
		a.balance.gaveUp = strings.Contains(r.endText, "gave up")
		a.balance.done = !a.balance.gaveUp && r.reason() == ""
		a.balance.reason = ""
		switch {
		case a.balance.gaveUp:
			a.balance.reason = r.spec.Label + " gave up"
		case !a.balance.done:
			a.balance.reason = r.spec.Label + ": " + r.reason()
		}
	case r.spec.Kind == "rest":
		a.rests.close(a, r)
	}
	a.cycles.close(a, r)
	a.curve.close(r, a.cycles.full == r, r.how(&a.scan) == endCell)
	a.pulses.close(r)
	a.levels.close(a, r)
	a.thermal.ended(r)
	a.tail.close(a, r)
	if len(a.steps) < stepsMax {
		a.steps = append(a.steps, r.step())
	} else {
		a.unlisted++
	}
}
