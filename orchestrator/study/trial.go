package study

import (
	"fmt"
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
	// Accused are the cells, from one, that are odd or that a criterion not met is
	// about.
	Accused []int
	// Reasons are the verdict's, of criteria that were not met.
	Reasons []string
}

// crossing is the rig of a module with two neighbouring sense wires exchanged:
// wire k, from one, sits where wire k+1 belongs, and the other way round.
type crossing struct {
	*virtual.Bench
	wire, cells int
}

func (w *crossing) Frame(f *drivers.Frame) bool {
	ok := w.Bench.Frame(f)
	if k := w.wire; ok {
		below, here, above := f.Counts[k-1], f.Counts[k], int32(0)
		if k+1 < w.cells {
			above = f.Counts[k+1]
			f.Counts[k+1] = here + above
		}
		f.Counts[k-1], f.Counts[k] = below+here, -here
	}
	return ok
}

// tape hands on what a run records, each where it is wanted. It stores nothing.
type tape struct {
	frame  func(*drivers.Frame)
	record func(drivers.Instant, machine.Record)
}

func (t *tape) Frame(f *drivers.Frame) error {
	if t.frame != nil {
		t.frame(f)
	}
	return nil
}

func (t *tape) Line(_ uint64, at drivers.Instant, line string) error {
	if act, err := machine.ParseAction(line); err == nil {
		if rec, ok := act.(machine.Record); ok {
			t.record(at, rec)
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
	if k.rest {
		r, err := s.resting()
		if err != nil {
			return nil, fmt.Errorf("study: %s: this module cannot be looked at by a rest near full: %w", k.Name, err)
		}
		s = r
	}
	d, size, named := s.trial(seed, k)
	out := &Trial{Seed: seed, Kind: k.Name, Size: size}
	rig, err := d.rig()
	if err != nil {
		return nil, err
	}
	var w bench.Rig = rig
	if d.crossed > 0 {
		w = &crossing{Bench: rig, wire: d.crossed, cells: s.Module.Series}
	}
	said := qualify.New(s.plan, qualify.Agreed(s.Criteria))
	if out.Ended, out.Reason, err = s.follow(w, &tape{frame: said.Frame, record: said.Record}); err != nil {
		return nil, fmt.Errorf("study: seed %d, %s: %w", seed, k.Name, err)
	}
	figures := said.Finish()
	verdict := qualify.Judge(s.Criteria, figures)
	out.Decision, out.Odd = verdict.Decision, figures.Odd
	for _, j := range verdict.Judgements {
		if j.Decision != qualify.Pass {
			out.Reasons = append(out.Reasons, j.Figure+": "+j.Reason)
			if f, ok := figures.Find(j.Figure); ok && f.Worst > 0 {
				out.Accused = append(out.Accused, f.Worst)
			}
		}
	}
	// A trip by the article's own doing begins with the cell that it is about.
	var cell int
	if _, err := fmt.Sscanf(out.Reason, "cell %d ", &cell); err == nil && out.Ended == machine.OutcomeTripped {
		out.Accused = append(out.Accused, cell)
	}
	for _, o := range out.Odd {
		out.Accused = append(out.Accused, o.Cell)
	}
	out.judge(named)
	return out, nil
}

// curve is what the module file says of a cell's open-circuit voltage.
func (s *Study) curve() (c balance.Curve) {
	for _, o := range s.Module.OCV {
		c.Points = append(c.Points, balance.Point{SoCPPM: o.SoC, Voltage: o.Voltage})
	}
	return c
}

// follow runs the plan to its end.
func (s *Study) follow(rig bench.Rig, t *tape) (machine.Outcome, string, error) {
	planner, err := balance.New(s.plan, s.curve())
	if err != nil {
		return "", "", err
	}
	loop := bench.NewStepped(rig, bench.Options{Name: s.plan.Bench.Name, Latches: t})
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
		t.Named = t.Named && slices.Contains(t.Accused, cell+1)
	}
}
