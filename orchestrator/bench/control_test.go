package bench_test

import (
	"context"
	"flag"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

var (
	holdSeeds = flag.Int("hold-seeds", 12, "benches drawn to judge the cell-limited control")
	holdFirst = flag.Uint64("hold-first", 1, "seed of the first")
)

// watched is a virtual bench whose truth is judged while the loop runs it. All
// of it happens on the loop's goroutine.
type watched struct {
	*virtual.Bench
	c       *holdCase
	bound   drivers.Microvolts
	before  *virtual.Bench // a clone from before the first current
	offset  []float64
	flowing bool
	over    bool
	q0      float64
	begin   drivers.Instant
	end     drivers.Instant
	charge  float64
	sets    []setting
	margins []point // in each frame
	worst   float64 // V that some true cell went past the target at any step
	entered drivers.Instant
	rate    float64 // V/s of the worst cell when the hold is entered
}

// setting is one command.
type setting struct {
	at   drivers.Instant
	amps drivers.Microamps
}

// point is the truth at one frame.
type point struct {
	at     drivers.Instant
	margin float64 // V, see holdCase.margin
	amps   float64
	cell   float64 // V of the worst true cell
}

// Set hands out instruments that tell the judge what they are told.
func (w *watched) Set() drivers.Set {
	s := w.Bench.Set()
	s.Supply, s.Load = &told{s.Supply, w, !w.c.discharge}, &told{s.Load, w, w.c.discharge}
	return s
}

type told struct {
	drivers.Power
	w    *watched
	used bool
}

func (p *told) Set(ctx context.Context, s drivers.Setpoint) error {
	if p.used {
		p.w.command(s.Current)
	}
	return p.Power.Set(ctx, s)
}

func (p *told) Halt(ctx context.Context) error {
	if p.used {
		p.w.halt()
	}
	return p.Power.Halt(ctx)
}

func (w *watched) command(i drivers.Microamps) {
	if !w.flowing {
		w.flowing, w.begin = true, w.Now()
		w.q0 = moved(w.Plant())
		w.before = w.Bench.Clone()
		w.offset = w.c.tapOffsets(w.before)
		w.Plant().ResetWorst()
	}
	w.sets = append(w.sets, setting{w.Now(), i})
}

func (w *watched) halt() {
	if w.flowing && !w.over {
		w.over, w.end = true, w.Now()
	}
}

// Frame looks at the truth in each frame.
func (w *watched) Frame(f *drivers.Frame) bool {
	ok := w.Bench.Frame(f)
	if !w.flowing {
		return ok
	}
	// Charge counts until the current is really gone.
	if w.over {
		if w.Now().Sub(w.end) < 3*drivers.Second {
			w.charge = moved(w.Plant()) - w.q0
		}
		return ok
	}
	p := w.Plant()
	x := point{at: w.Now(), margin: w.c.margin(p, w.offset), amps: math.Abs(p.Module().Current()), cell: w.worstCell()}
	w.enter(x)
	w.margins = append(w.margins, x)
	v := w.Plant().Worst()
	w.worst = v.VoltageMax - w.c.hold()
	if w.c.discharge {
		w.worst = w.c.hold() - v.VoltageMin
	}
	return ok
}

// enter notes when the hold begins: with the first lower command near the
// target, for a derating lowers it too. The rate is that of a second before.
func (w *watched) enter(x point) {
	n, k := len(w.margins), len(w.sets)
	if w.entered != 0 || n == 0 || k < 2 || w.sets[k-1].amps >= w.sets[k-2].amps || x.margin > 0.010 {
		return
	}
	w.entered = x.at
	a, b := w.margins[max(0, n-11)], w.margins[n-1]
	if b.at > a.at {
		w.rate = math.Abs(b.cell-a.cell) / (float64(b.at.Sub(a.at)) / 1e6)
	}
}

func (w *watched) worstCell() float64 {
	tr := w.Truth()
	if w.c.discharge {
		return float64(tr.CellMin) / 1e6
	}
	return float64(tr.CellMax) / 1e6
}

// holdRun carries a case out through the production loop.
func holdRun(t testing.TB, c holdCase) *watched {
	t.Helper()
	plan := c.plan(t)
	w := &watched{Bench: c.rig(t), c: &c}
	for _, in := range plan.Code {
		if in.Op == machine.OpDrive {
			w.bound = in.Drive.Voltage
		}
	}
	j := newTape()
	v := bench.NewVirtual(w, bench.Options{Name: "hold"})
	ended := make(chan bench.Ending, 1)
	require.NoError(t, v.Start(context.Background(), bench.StartRequest{
		Run: "r000001", Plan: plan, PlanDigest: "0", Journal: j, Who: "test engineer", Finished: func(e bench.Ending) { ended <- e },
	}))
	e := <-ended
	require.NoError(t, v.Close())
	require.Equal(t, machine.OutcomeDone, e.Outcome, "%s: %+v", &c, e)
	require.True(t, w.over, "%s: no current flowed", &c)
	return w
}

// figures are what the judge measures of a run.
type holdFigures struct {
	over, bound    float64 // V past the target, and what is allowed
	net            float64 // V past the target as the taps see it
	rate           float64
	charge, span   float64 // over the ideal's
	idealC, idealS float64
	sets, turns    int
	swing          float64 // V peak to peak of the worst cell in the settled hold
	mean           float64 // V, mean margin in the settled hold
}

func (w *watched) judge(t testing.TB) *holdFigures {
	best := newIdeal(t, w.c, w.before, w.offset, w.bound).run(t)
	delay := float64(w.c.bench.Supply.Delay) / 1e6
	f := &holdFigures{over: w.worst, rate: w.rate, sets: len(w.sets), idealC: best.charge, idealS: best.span}
	f.bound = w.c.accuracy() + max(0.002, w.rate*delay/2)
	f.charge = w.charge / best.charge
	f.span = float64(w.end.Sub(w.begin)) / 1e6 / best.span
	f.net = math.Inf(-1)
	for _, p := range w.margins {
		f.net = max(f.net, -p.margin)
	}
	f.turns = turns(w.sets)
	w.settled(f)
	return f
}

// turns counts how often the command changed its direction by more than 2 %.
func turns(sets []setting) int {
	n, dir := 0, 0
	for i := 1; i < len(sets); i++ {
		a, b := float64(sets[i-1].amps), float64(sets[i].amps)
		if math.Abs(b-a) <= 0.02*max(a, b) {
			continue
		}
		d := 1
		if b < a {
			d = -1
		}
		if dir != 0 && d != dir {
			n++
		}
		dir = d
	}
	return n
}

// settled looks at the hold from 20 s after it was entered.
func (w *watched) settled(f *holdFigures) {
	lo, hi, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0
	for _, p := range w.margins {
		if w.entered != 0 && p.at >= w.entered.Add(20*drivers.Second) {
			lo, hi = min(lo, p.margin), max(hi, p.margin)
			sum += p.margin
			n++
		}
	}
	if n > 0 {
		f.swing, f.mean = hi-lo, sum/float64(n)
	}
}

func (f *holdFigures) String() string {
	return fmt.Sprintf("over %+.2f of %.2f mV, net %+.2f mV, rate %.2f mV/s, charge %.4f, time %.4f of %.0f s, %d sets, %d turns, swing %.2f mV, mean %.2f mV",
		f.over*1e3, f.bound*1e3, f.net*1e3, f.rate*1e3, f.charge, f.span, f.idealS, f.sets, f.turns, f.swing*1e3, f.mean*1e3)
}

func (c *holdCase) String() string {
	word := "charge"
	if c.discharge {
		word = "discharge"
	}
	return fmt.Sprintf("seed %d: %s %s %.1f Ah %.2f C to %.3f C, from %.1f %%, R times %.2f, step %d mA, tap step %d uV, delay %d ms declared %.2f times, slew %d A/s",
		c.seed, word, c.chemistry, c.rated, c.rate, c.taper, c.soc*100, c.misdeclared, c.bench.Supply.CurrentStep/1000,
		c.bench.Monitor.CellStep, c.bench.Supply.Delay/1000, c.late, c.bench.Supply.Slew/1_000_000)
}

// accuracy is what the bench declares for a tap, V.
func (c *holdCase) accuracy() float64 {
	return float64(c.bench.Monitor.CellAccuracy.At(int64(c.hold()*1e6))) / 1e6
}

// requireHeld demands what the control must do at all times: no true cell past
// its bound, no oscillation, no ratchet.
func (f *holdFigures) requireHeld(t testing.TB, c *holdCase) {
	t.Helper()
	require.LessOrEqual(t, f.over, f.bound, "%s: a true cell went past\n%s", c, f)
	// The same without what the taps' accuracy allows: what the control sees.
	require.LessOrEqual(t, f.net, f.bound-c.accuracy(), "%s: a cell read past its target\n%s", c, f)
	// A start under the greatest current turns once, when the hold begins.
	require.LessOrEqual(t, f.turns, 3, "%s: the command goes to and fro\n%s", c, f)
	step := float64(c.bench.Supply.CurrentStep) / 1e6 * c.slowest()
	// One step of the instrument, and what the taps' steps, noise and lag add.
	tap := float64(c.bench.Monitor.CellStep) / 1e6
	require.LessOrEqual(t, f.swing, step+tap/2+0.001, "%s: the held cell swings\n%s", c, f)
	// A grid leaves half a step unused, and what one tap step may feign is not
	// raised for; noise must not leave more.
	require.LessOrEqual(t, f.mean, 0.75*step+tap/4+0.0004, "%s: noise ratchets the current down\n%s", c, f)
}

// requireIdeal compares with the ideal controller.
func (f *holdFigures) requireIdeal(t testing.TB, c *holdCase) {
	t.Helper()
	require.InDelta(t, 1, f.charge, 0.005, "%s: charge against the ideal\n%s", c, f)
	require.InDelta(t, 1, f.span, 0.03, "%s: time against the ideal\n%s", c, f)
}

// TestHoldDrawn: benches as seeds draw them. Use -hold-seeds for long runs.
func TestHoldDrawn(t *testing.T) {
	for i := range *holdSeeds {
		c := drawHold(*holdFirst + uint64(i))
		f := holdRun(t, c).judge(t)
		if testing.Verbose() {
			t.Logf("%s: %s", &c, f)
		}
		f.requireHeld(t, &c)
		f.requireIdeal(t, &c)
	}
}

// TestHoldDischarge: the lowest cell is held by the load in the same way.
func TestHoldDischarge(t *testing.T) {
	for i := range *holdSeeds / 2 {
		c := drawHold(*holdFirst + 1000 + uint64(i))
		c.discharge, c.soc = true, 0.35-c.soc/4
		f := holdRun(t, c).judge(t)
		if testing.Verbose() {
			t.Logf("%s: %s", &c, f)
		}
		f.requireHeld(t, &c)
		f.requireIdeal(t, &c)
	}
}

// TestHoldMisdeclared: a module file whose resistance is a factor two off.
func TestHoldMisdeclared(t *testing.T) {
	for i := range *holdSeeds / 2 {
		for _, factor := range []float64{0.5, 2} {
			c := drawHold(*holdFirst + 2000 + uint64(i))
			c.misdeclared = factor
			f := holdRun(t, c).judge(t)
			if testing.Verbose() {
				t.Logf("%s: %s", &c, f)
			}
			f.requireHeld(t, &c)
			f.requireIdeal(t, &c)
		}
	}
}

// TestHoldFromFull: a start so near to the target that the whole current never
// fits; the first current must not overshoot, whatever the file says of R.
func TestHoldFromFull(t *testing.T) {
	for i := range *holdSeeds / 2 {
		for _, factor := range []float64{0.5, 1, 2} {
			c := drawHold(*holdFirst + 3000 + uint64(i))
			c.misdeclared = factor
			c.soc = c.open().SoC(c.hold()) - 0.006
			if c.chemistry == "NMC" {
				c.soc -= 0.02
			}
			f := holdRun(t, c).judge(t)
			if testing.Verbose() {
				t.Logf("%s: %s", &c, f)
			}
			f.requireHeld(t, &c)
		}
	}
}

// TestHoldLarge: a group of the size that the workshop builds.
func TestHoldLarge(t *testing.T) {
	c := drawHold(*holdFirst + 4000)
	c.chemistry, c.rated, c.rate, c.taper, c.soc = "LFP", 40, 0.5, 0.05, 0.88
	c.bench.Monitor.CurrentRange = 100 * drivers.Ampere
	f := holdRun(t, c).judge(t)
	f.requireHeld(t, &c)
	f.requireIdeal(t, &c)
}

// TestHoldCoarseAndQuiet: steps of 1 mV without any noise to blur them.
func TestHoldCoarseAndQuiet(t *testing.T) {
	for i := range *holdSeeds / 4 {
		c := drawHold(*holdFirst + 5000 + uint64(i))
		c.bench.Monitor.CellStep, c.bench.Monitor.CellAccuracy.Offset = 1000, 5000
		c.sensing.Ideal = true
		f := holdRun(t, c).judge(t)
		if testing.Verbose() {
			t.Logf("%s: %s", &c, f)
		}
		// A step hides half of itself, for as long as the cell stands on it; the
		// ideal controller has no steps.
		f.mean -= 0.0005
		f.requireHeld(t, &c)
		require.InDelta(t, 1, f.charge, 0.01, "%s\n%s", &c, f)
		require.InDelta(t, 1, f.span, 0.03, "%s\n%s", &c, f)
	}
}

// TestHoldDerated: an article that stands where one row of the maker's table
// goes over into the next. The current follows the table and does not go to and
// fro on a sensor's noise; the hold after it is as good as any.
func TestHoldDerated(t *testing.T) {
	for i := range *holdSeeds / 2 {
		c := drawHold(*holdFirst + 6000 + uint64(i))
		// The row begins half a kelvin later for the sensor's error, and the
		// machine keeps a kelvin from it.
		c.ambient, c.rate, c.soc = 26.25+0.5*float64(i)/float64(*holdSeeds/2), 1, 0.75
		slow, quick := 0.6*c.rated, 1.1*c.rated
		c.table = fmt.Sprintf("    0 degC: %.2f A\n    10 degC: %.2f A\n    25 degC: %.2f A\n", 0.2*c.rated, slow, quick)
		w := holdRun(t, c)
		f := w.judge(t)
		if testing.Verbose() {
			t.Logf("%s: %s", &c, f)
		}
		crossed := 0
		for k := 1; k < len(w.sets) && w.sets[k-1].at.Sub(w.begin) < 2*drivers.Minute; k++ {
			if (w.sets[k-1].amps > drivers.Microamps(slow*1e6)) != (w.sets[k].amps > drivers.Microamps(slow*1e6)) {
				crossed++
			}
		}
		require.LessOrEqual(t, crossed, 2, "%s: the current follows noise of the temperature\n%s", &c, f)
		require.LessOrEqual(t, f.over, f.bound, "%s\n%s", &c, f)
		require.LessOrEqual(t, f.net, f.bound-c.accuracy(), "%s\n%s", &c, f)
	}
}
