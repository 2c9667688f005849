package rehearse

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// scene is a state of the machine, and what brings a run there: nothing, a
// person, an emergency stop, a profile that asks. Every run of a scene is the
// same one up to its instant, so that none needs to be copied.
type scene struct {
	State
	acts   []Act
	faults []virtual.Fault // an emergency stop, which is no fault
	plan   *machine.Plan   // nil: the twin's
	think  drivers.Span    // how long a person lets an ask stand
	base   machine.Outcome // how the run ends where nothing else happens
}

// Spans within a scene: when a person acts after the first charge began, and how
// long the bench then stands before the next thing.
const (
	actAfter   = drivers.Second
	standsFor  = 3 * drivers.Second
	asksFor    = 8 * drivers.Second
	endsBefore = afterEnd - drivers.Second // before the bench was last looked at
)

// scenes are all states in which the matrix strikes: those that a run without
// faults passes, in its order, and those that a person or a trip brings about.
func (t *Twin) scenes() ([]scene, error) {
	var list []scene
	charge := drivers.Span(-1)
	for _, s := range t.Healthy.States {
		list = append(list, scene{State: s})
		if s.Name == "charge" {
			charge = s.At
		}
	}
	if charge < 0 {
		return nil, fmt.Errorf("the matrix needs a profile that charges; %s never does", t.Profile.Name)
	}
	act := charge + actAfter
	pause, resume := Act{act, machine.VerbPause}, Act{act + 2*standsFor, machine.VerbResume}
	list = append(list,
		scene{State: State{"pausing", act}, acts: []Act{pause, resume}},
		scene{State: State{"paused", act + standsFor}, acts: []Act{pause, resume}},
		scene{State: State{"resuming", resume.At}, acts: []Act{pause, resume}},
		scene{State: State{"stopping", act}, acts: []Act{{act, machine.VerbStop}}},
	)
	asks, err := t.asking()
	if err != nil {
		return nil, err
	}
	list = append(list, asks)
	stop, err := virtual.ParseFault("emergency-stop after=" + seconds(act))
	if err != nil {
		return nil, err
	}
	list = append(list,
		scene{State: State{"tripping", act}, faults: []virtual.Fault{stop}},
		scene{State: State{"latched", act + standsFor}, faults: []virtual.Fault{stop}},
		scene{State: State{"watching", t.Healthy.Length - endsBefore}},
	)
	for i := range list {
		if err := t.without(&list[i]); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// asking is the scene of a profile that asks after its first step.
func (t *Twin) asking() (scene, error) {
	p := *t.Profile
	p.Steps = append(append(append([]profiles.StepSpec(nil), p.Steps[:1]...), profiles.StepSpec{Kind: "ask", Label: "asked", Ask: "look at the bench", Pos: p.Steps[0].Pos}), p.Steps[1:]...)
	plan, problems := profiles.Compile(&p, t.Module, t.Bench)
	if len(problems) > 0 {
		return scene{}, fmt.Errorf("profile %s with an ask: %w", p.Name, profiles.Error(problems))
	}
	s := scene{State: State{Name: "asking"}, plan: plan, think: asksFor}
	c := t.staged(&s)
	_, err := t.Run(c, func(at drivers.Instant, line string) {
		if s.At == 0 && strings.HasPrefix(line, "notify ") && strings.Contains(line, `severity="ask"`) {
			s.At = at.Sub(began)
		}
	})
	if err == nil && s.At == 0 {
		err = fmt.Errorf("profile %s with an ask never asks", p.Name)
	}
	return s, err
}

// staged is a campaign that goes through a scene, with nothing else.
func (t *Twin) staged(s *scene) *Campaign {
	c := t.Plain(t.config.Seed)
	c.Acts, c.Think = s.acts, s.think
	c.Config.Faults = append(c.Config.Faults, s.faults...)
	if s.plan != nil {
		c.plan = s.plan
	}
	return c
}

// without runs a scene without faults: nothing may be found in it.
func (t *Twin) without(s *scene) error {
	r, err := t.Run(t.staged(s), nil)
	if err != nil {
		return fmt.Errorf("state %s: %w", s.Name, err)
	}
	if len(r.Violations) > 0 {
		return fmt.Errorf("state %s without a fault: %v", s.Name, r.Violations)
	}
	s.base = r.Outcome
	return nil
}

// blow is something that goes wrong: a row of the matrix.
type blow struct {
	name, class string
	hardware    []string
	strike      func(c *Campaign, at drivers.Span)
	fault       bool // it is the campaign's last fault, and may have to wait for its moment
}

// Spans of blows: what the catalogue's own rows have as defaults.
const (
	slowDisk = 3 * drivers.Second
	outage   = 2 * drivers.Second
)

// others are blows that no instrument knows: the store's, the process's, a
// person's.
func others() []blow {
	store := func(kind StoreKind, delay drivers.Span) func(*Campaign, drivers.Span) {
		return func(c *Campaign, at drivers.Span) { c.Store = StoreFault{Kind: kind, At: at, Delay: delay} }
	}
	person := func(verb machine.Verb) func(*Campaign, drivers.Span) {
		return func(c *Campaign, at drivers.Span) {
			c.Acts = inOrder(append(c.Acts[:len(c.Acts):len(c.Acts)], Act{at, verb}))
		}
	}
	return []blow{
		{name: "store slow by 3 s", class: "store", strike: store(StoreSlow, slowDisk)},
		{name: "store failing", class: "store", strike: store(StoreFailing, 0)},
		{name: "store full", class: "store", strike: store(StoreFull, 0)},
		{name: "process killed, started again after 2 s", class: "process", strike: func(c *Campaign, at drivers.Span) { c.Kill = &Kill{At: at, Outage: outage} }},
		{name: "person stops", class: "person", strike: person(machine.VerbStop)},
		{name: "person pauses", class: "person", strike: person(machine.VerbPause)},
		{name: "person resumes", class: "person", strike: person(machine.VerbResume)},
		{name: "person acknowledges", class: "person", strike: person(machine.VerbAcknowledge)},
	}
}
