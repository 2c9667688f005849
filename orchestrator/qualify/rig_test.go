package qualify_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// rig writes a run by hand: frames in micro-units, so that what is checked is
// the analysis and not the steps of an instrument.
type rig struct {
	t      *testing.T
	plan   *machine.Plan
	layout *drivers.Layout
	a      *qualify.Analyser
	frame  drivers.Frame
	now    drivers.Instant
	period drivers.Span
	cells  []float64 // V
	temps  []float64 // degC
	bleed  []int32
	joint  float64 // V across the module besides the cells
	frames int
}

const epoch drivers.Instant = 1_790_000_000_000_000

func bench(cells, temps int, period drivers.Span) drivers.Bench {
	return drivers.Bench{
		Name: "slip 2",
		Monitor: drivers.MonitorSpec{
			Cells: cells, Temps: temps, Period: period, CellStep: 1, TempStep: 1, CurrentStep: 1, Bleed: 33_000_000,
		},
		Supply: drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Load:   drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Box:    drivers.BoxSpec{LinkStep: 1000},
		Meter:  drivers.MeterSpec{VoltageStep: 1},
	}
}

func newPlan(t *testing.T, b drivers.Bench, steps []machine.Step, code []machine.Instruction) *machine.Plan {
	t.Helper()
	l, err := b.Layout()
	require.NoError(t, err)
	return &machine.Plan{
		Profile: "qualify", Module: "KW-01", Bench: b, Layout: *l, Rated: 40 * drivers.AmpereHour,
		Series: b.Monitor.Cells, Steps: steps, Code: code,
	}
}

func newRig(t *testing.T, p *machine.Plan) *rig {
	t.Helper()
	return newRigWith(t, p)
}

func newRigWith(t *testing.T, p *machine.Plan, options ...qualify.Option) *rig {
	t.Helper()
	l := p.Layout
	require.NoError(t, l.Index())
	r := &rig{t: t, plan: p, layout: &l, a: qualify.New(p, options...), now: epoch, period: p.Bench.Monitor.Period}
	r.frame.Counts = make([]int32, len(l.Channels))
	r.cells = make([]float64, l.Cells())
	r.temps = make([]float64, l.Temps())
	for i := range r.cells {
		r.cells[i] = 3.3
	}
	for i := range r.temps {
		r.temps[i] = 25
	}
	r.bleed = make([]int32, (len(r.cells)+15)/16)
	return r
}

// show gives the analyser a frame at now with the current i in A.
func (r *rig) show(i float64) {
	c := r.frame.Counts
	sum := r.joint
	for k, v := range r.cells {
		at := r.layout.Cell(k)
		c[at] = int32(math.Round(v * 1e6 / float64(r.layout.Channels[at].Scale.Num)))
		sum += v
	}
	for k, v := range r.temps {
		c[r.layout.Temp(k)] = int32(math.Round((v + 273.15) * 1000))
	}
	r.frames++
	c[r.layout.Find(drivers.ModuleCurrent)] = int32(math.Round(i * 1e6))
	c[r.layout.Find(drivers.ModuleVoltage)] = int32(math.Round(sum * 1e6))
	c[r.layout.Find(drivers.MonitorBeat)] = int32(r.frames)
	c[r.layout.Find(drivers.MeterBeat)] = int32(r.frames)
	for k, w := range r.bleed {
		c[r.layout.Bleed(k)] = w
	}
	r.frame.At = r.now
	r.frame.Seq++
	r.a.Frame(&r.frame)
}

// run shows frames over a span, every period, with the state set by each for
// the time since the begin; it does not repeat the frame at its begin.
func (r *rig) run(span drivers.Span, each func(t float64) (i float64)) {
	begin := r.now
	for r.now.Sub(begin) < span {
		r.now = min(r.now.Add(r.period), begin.Add(span))
		r.show(each(float64(r.now.Sub(begin)) * 1e-6))
	}
}

func (r *rig) begin(step, pass int) {
	r.a.Record(r.now, machine.Record{Kind: machine.RecordStep, Step: step, Pass: pass, Label: r.plan.Steps[step].Label})
}

func (r *rig) end(text string) {
	r.a.Record(r.now, machine.Record{Kind: machine.RecordEnd, Text: text})
}

func (r *rig) record(k machine.RecordKind, text string) {
	r.a.Record(r.now, machine.Record{Kind: k, Text: text})
}

// trapezoid is the half width of the stated interval of the sum of two
// rectangular errors with half widths a and b, in closed form: the tails beyond
// it have the area (a+b-h)^2/(4ab).
func trapezoid(a, b float64) float64 {
	a, b = max(a, b), min(a, b)
	h := a + b - 2*math.Sqrt(a*b*(1-gum.Level))
	if h < a-b {
		return a * gum.Level
	}
	return h
}

func find(t *testing.T, f *qualify.Figures, name string) qualify.Figure {
	t.Helper()
	g, ok := f.Find(name)
	require.True(t, ok, "no figure %s", name)
	return g
}

// fmtScan reads what a joint's detail says: the constant in mOhm, the factor.
func fmtScan(detail string, constant, factor *float64) (int, error) {
	_, after, _ := strings.Cut(detail, "of it ")
	return fmt.Sscanf(after, "%g mOhm constant like a joint, the rest grows like a cell of %g times", constant, factor)
}
