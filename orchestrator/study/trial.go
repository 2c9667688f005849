package study

import (
	"fmt"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// Trial is what became of one module.
type Trial struct {
	Seed uint64
	Kind string
	Size float64
	// Ended and Reason are the run's.
	Ended  machine.Outcome
	Reason string
	// Held says that the module was not passed on: the run did not end well, the
	// verdict is no pass, or a cell is odd. Named says that the right cell was
	// named, of those that had a defect; true where none has to be.
	Held, Named bool
	Decision    qualify.Decision
	Odd         []qualify.Odd
	// Covers are the module's figures with what the plant knew of them.
	Covers []Cover
}

// Cover is a module's figure beside its truth.
type Cover struct {
	Figure          string
	Value, U, Truth float64
}

// Holds says whether the stated interval holds the truth.
func (c *Cover) Holds() bool { return math.Abs(c.Value-c.Truth) <= c.U }

// watched is the rig as the loop sees it. It keeps, beside each frame, the same
// frame as the plant knows it; crossed wires change what the monitor says.
type watched struct {
	*virtual.Bench
	truth   *drivers.Frame
	layout  *drivers.Layout // in micro-units
	crossed int
}

func (w *watched) Frame(f *drivers.Frame) bool {
	ok := w.Bench.Frame(f)
	if k := w.crossed; ok && k > 0 {
		// Wire k sits where wire k+1 belongs, and the other way round.
		below, here, above := f.Counts[k-1], f.Counts[k], int32(0)
		if k+1 < w.layout.Cells() {
			above = f.Counts[k+1]
			f.Counts[k+1] = here + above
		}
		f.Counts[k-1], f.Counts[k] = below+here, -here
	}
	w.see(f)
	return ok
}

// see fills the truth's frame for the instant of f.
func (w *watched) see(f *drivers.Frame) {
	w.truth.At = f.At
	copy(w.truth.Counts, f.Counts)
	p := w.Plant()
	m := p.Module()
	put := func(at int, v float64) {
		if at >= 0 {
			w.truth.Counts[at] = int32(math.Round(v * 1e6))
		}
	}
	for k := range m.Len() {
		put(w.layout.Cell(k), m.Tap(k))
	}
	for j := range w.layout.Temps() {
		put(w.layout.Temp(j), m.Kelvin(w.SensorCell(j))/1e3)
	}
	put(w.layout.Find(drivers.ModuleVoltage), m.TerminalVoltage())
	put(w.layout.Find(drivers.ModuleCurrent), m.Current())
}

// trueLayout is the layout of the truth's frames: the same channels, readings in
// micro-units and without errors.
func trueLayout(l *drivers.Layout) (*drivers.Layout, error) {
	out := &drivers.Layout{Channels: slices.Clone(l.Channels)}
	for i := range out.Channels {
		c := &out.Channels[i]
		switch c.Kind {
		case drivers.CellVoltage, drivers.Temperature, drivers.ModuleVoltage, drivers.ModuleCurrent:
			c.Scale, c.Accuracy = drivers.Scale{Num: 1, Den: 1}, drivers.Accuracy{}
		}
	}
	return out, out.Index()
}

// tape gives what a run records to two analysers: as the sensors said it, and as
// it was. It stores nothing.
type tape struct {
	said, was *qualify.Analyser
	w         *watched
}

func (t *tape) Frame(f *drivers.Frame) error {
	t.said.Frame(f)
	t.w.truth.Seq = f.Seq
	t.was.Frame(t.w.truth)
	return nil
}

func (t *tape) Line(_ uint64, at drivers.Instant, line string) error {
	if act, err := machine.ParseAction(line); err == nil {
		if rec, ok := act.(machine.Record); ok {
			t.said.Record(at, rec)
			t.was.Record(at, rec)
		}
	}
	return nil
}

func (t *tape) Commit() error            { return nil }
func (t *tape) Pending() drivers.Instant { return 0 }
func (t *tape) MarkEnergised(seq uint64, at drivers.Instant, _ uint64, line string) error {
	return t.Line(seq, at, line)
}
func (t *tape) MarkSafe() error { return nil }
func (t *tape) Trip(seq uint64, at drivers.Instant, line, _ string) error {
	return t.Line(seq, at, line)
}
func (t *tape) Urgent(seq uint64, at drivers.Instant, line string) error {
	return t.Line(seq, at, line)
}
func (t *tape) SetLatch(string, drivers.Instant) error           { return nil }
func (t *tape) ClearLatch(string, string, drivers.Instant) error { return nil }

// Run carries out the trial of a seed.
func (s *Study) Run(seed uint64, k *Kind) (*Trial, error) {
	d, size, named := s.trial(seed, k)
	out := &Trial{Seed: seed, Kind: k.Name, Size: size}
	rig, err := d.rig()
	if err != nil {
		return nil, err
	}
	layout, err := trueLayout(&s.plan.Layout)
	if err != nil {
		return nil, err
	}
	w := &watched{Bench: rig, layout: layout, truth: &drivers.Frame{Counts: make([]int32, len(layout.Channels))}, crossed: d.crossed}
	truePlan := *s.plan
	truePlan.Layout = *layout
	t := &tape{said: qualify.New(s.plan), was: qualify.New(&truePlan), w: w}
	if out.Ended, out.Reason, err = s.follow(w, t); err != nil {
		return nil, fmt.Errorf("study: seed %d, %s: %w", seed, k.Name, err)
	}
	said, was := t.said.Finish(), t.was.Finish()
	verdict := qualify.Judge(s.Criteria, said)
	out.Decision, out.Odd = verdict.Decision, said.Odd
	out.judge(named)
	if out.Ended == machine.OutcomeDone {
		out.cover(said, was)
	}
	return out, nil
}

// follow runs the plan to its end.
func (s *Study) follow(w *watched, t *tape) (machine.Outcome, string, error) {
	var curve balance.Curve
	for _, o := range s.Module.OCV {
		curve.Points = append(curve.Points, balance.Point{SoCPPM: o.SoC, Voltage: o.Voltage})
	}
	planner, err := balance.New(s.plan, curve)
	if err != nil {
		return "", "", err
	}
	loop := bench.NewStepped(w, bench.Options{Name: s.plan.Bench.Name, Latches: t})
	var end *bench.Ending
	if err := loop.Start(bench.StartRequest{
		Run: "r000001", Plan: s.plan, PlanDigest: s.digest, Journal: t, Planner: planner, Who: "study",
		Finished: func(e bench.Ending) { end = &e },
	}); err != nil {
		return "", "", err
	}
	most := loop.Now().Add(s.longest())
	for end == nil && loop.Now() < most {
		if loop.Asks() {
			if err := loop.Command(machine.VerbConfirm, "study", "asked"); err != nil {
				return "", "", err
			}
		}
		loop.Turn()
	}
	if end == nil {
		return "", fmt.Sprintf("not over after %v", s.longest()), nil
	}
	return end.Outcome, end.Reason, nil
}

// longest bounds a trial, in case a run pauses for good.
func (s *Study) longest() drivers.Span { return 200 * drivers.Hour }

// judge says whether the defect was found, and named.
func (t *Trial) judge(named []int) {
	t.Held = t.Ended != machine.OutcomeDone || t.Decision != qualify.Pass || len(t.Odd) > 0
	t.Named = t.Held
	for _, cell := range named {
		t.Named = t.Named && slices.ContainsFunc(t.Odd, func(o qualify.Odd) bool { return o.Cell == cell+1 })
	}
}

// cover keeps each proven figure of the module beside its truth.
func (t *Trial) cover(said, was *qualify.Figures) {
	for _, f := range said.Figures {
		if f.Cell != 0 || f.Status != qualify.OK || f.U <= 0 {
			continue
		}
		if g, ok := was.Find(f.Name); ok && !g.NoValue {
			t.Covers = append(t.Covers, Cover{f.Name, f.Value, f.U, g.Value})
		}
	}
}
