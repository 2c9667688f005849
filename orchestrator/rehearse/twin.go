package rehearse

import (
	"errors"
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// began is the instant at which every rehearsal's bench opens: a seed gives the
// same campaign whenever it is run.
const began drivers.Instant = 1_790_000_000_000_000

// Twin is a user's module, profile and bench as a virtual bench. Several
// campaigns may use it at once: nothing in it changes after NewTwin.
type Twin struct {
	Module  *profiles.Module
	Profile *profiles.Profile
	Bench   *profiles.Bench
	Plan    *machine.Plan

	config    virtual.Config
	canonical []byte // the plan's text
	digest    string
	criteria  string // for verdicts on its runs
	curve     balance.Curve
	// calm is how far apart routine commits lie where nothing fails; 0: as on a live
	// bench.
	calm drivers.Span
	// Healthy is the twin's run without any fault, by which moments are drawn.
	Healthy Healthy
}

// Healthy is what a run without faults was like.
type Healthy struct {
	Length drivers.Span // from the bench's start to the run's end
	Calls  int          // calls of drivers, journal and disk, where a process can die
	Acts   []int        // which of them do not just come with every frame
	States []State
}

// State is a state of the machine and when a healthy run enters it.
type State struct {
	Name string
	At   drivers.Span // since the bench's start
}

// ErrUnwell: the twin's own run without faults did not end well, so that there
// is nothing to attack.
var ErrUnwell = errors.New("the run without faults does not end well")

// NewTwin compiles the files, makes their virtual twin and runs it once without
// faults. Bench files of real instruments serve as well: the twin has the
// ranges, errors and delays that they declare.
func NewTwin(m *profiles.Module, p *profiles.Profile, b *profiles.Bench) (*Twin, error) {
	t := &Twin{Module: m, Profile: p, Bench: b}
	var problems []profiles.Problem
	if t.Plan, problems = profiles.Compile(p, m, b); len(problems) > 0 {
		return nil, profiles.Error(problems)
	}
	var err error
	if t.canonical, t.digest, err = profiles.Canonical(t.Plan); err != nil {
		return nil, err
	}
	criteria, err := profiles.LibraryCriteria("quick")
	if err != nil {
		return nil, err
	}
	t.criteria = string(criteria)
	for _, o := range m.OCV {
		t.curve.Points = append(t.curve.Points, balance.Point{SoCPPM: o.SoC, Voltage: o.Voltage})
	}
	t.config = twinConfig(m, p, b)
	t.Healthy.Length = profiles.Predict(t.Plan).Span // until it is known, which bounds the first run
	if t.Healthy.Length >= longLeast {
		t.calm = calmEvery
	}
	c := &Campaign{Config: t.config, plan: t.Plan}
	r, err := t.run(c, &runOptions{healthy: &t.Healthy})
	if err != nil {
		return nil, err
	}
	if r.Outcome != machine.OutcomeDone {
		return nil, fmt.Errorf("%w: %s", ErrUnwell, strings.TrimPrefix(string(r.Outcome)+": "+r.Reason, ": "))
	}
	return t, nil
}

// Began is the instant at which every campaign's bench opens.
func (t *Twin) Began() drivers.Instant { return began }

// coarse compiles the twin for a monitor whose cells read in steps of a size,
// with the accuracy that this leaves; false where the compiler refuses it.
func (t *Twin) coarse(step drivers.Microvolts) (*machine.Plan, bool) {
	b := *t.Bench
	b.Monitor.CellStep = step
	b.Monitor.CellAccuracy.Offset = max(b.Monitor.CellAccuracy.Offset, int64(step))
	plan, problems := profiles.Compile(t.Profile, t.Module, &b)
	return plan, len(problems) == 0
}

// twinConfig describes the article and bench as the files do: a file's spreads
// are full ranges, the physics takes greatest deviations.
func twinConfig(m *profiles.Module, p *profiles.Profile, b *profiles.Bench) virtual.Config {
	ratio := func(ppm profiles.Ppm) float64 { return float64(ppm) / 1e6 }
	a := virtual.DefaultArticle()
	a.Chemistry, a.Series, a.Capacity, a.Terminals = m.Chemistry, m.Series, m.Rated, m.TerminalResistance
	if p.StartSoC > 0 {
		a.SoC = ratio(p.StartSoC)
	}
	c := virtual.Config{Bench: b.Bench, Start: began, Seed: 1}
	if v := b.Virtual; v != nil {
		c.Seed = v.Seed
		if v.Capacity > 0 {
			a.Capacity = drivers.Charge(float64(m.Rated) * ratio(v.Capacity))
		}
		a.SoC, a.Ambient = ratio(v.StateOfCharge), v.Ambient
		a.Spread = plant.Spread{
			Capacity: ratio(v.CapacitySpread) / 2, Resistance: ratio(v.ResistanceSpread) / 2, SoC: ratio(v.StateSpread) / 2,
			SelfDischarge: a.Spread.SelfDischarge, Joint: a.Spread.Joint, Kelvin: a.Spread.Kelvin,
		}
	}
	c.Article = a
	return c
}
