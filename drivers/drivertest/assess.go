package drivertest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// energisesNothing names the checks that switch nothing on, whatever the driver
// under test makes of their calls.
var energisesNothing = []string{"identity", "beats", "halt-any-time", "halt-concurrent", "hung",
	"supply/arm-reads-back", "load/arm-reads-back", "monitor/shape"}

// Energises says whether the check may switch something on: an output, a
// contactor, a bleed path.
func (c Check) Energises() bool { return !slices.Contains(energisesNothing, c.Name) }

// Outcome is what became of a check.
type Outcome string

// Outcomes.
const (
	Held       Outcome = "held"
	Failed     Outcome = "failed"
	NotChecked Outcome = "not checked"
)

// Result is a line of an assessment.
type Result struct {
	Check    string  `json:"check"`
	Demanded string  `json:"demanded"`
	Outcome  Outcome `json:"outcome"`
	Why      string  `json:"why,omitempty"` // it failed, or was not checked
	// Absent says that the check is about a role that is not there.
	Absent bool          `json:"absent,omitempty"`
	Took   time.Duration `json:"took_ns"`
}

// Assessment runs the suite against something real.
type Assessment struct {
	// Open makes a fixture for one check; end takes it apart, which must make
	// calls that still hang return.
	Open func(ctx context.Context) (f *Fixture, end func(), err error)
	// Roles are those that the fixtures will have; checks of others are not
	// checked, and nothing is opened for them. nil: all.
	Roles []Role
	// Energise lets checks run that energise; without it they are not checked.
	Energise bool
	// Limit bounds each check, opening included; 0: a minute.
	Limit time.Duration
	// Begin, where set, is told of each check before it begins, of how many.
	Begin func(c Check, number, of int)
}

// Run runs every check, each over a fixture of its own, and returns a result
// for each. When ctx ends, the rest is not checked.
func (a *Assessment) Run(ctx context.Context) []Result {
	checks := Checks()
	list := make([]Result, 0, len(checks))
	for i, c := range checks {
		r := Result{Check: c.Name, Demanded: c.Doc, Outcome: NotChecked}
		switch {
		case ctx.Err() != nil:
			r.Why = "called off"
		case !a.concerns(c):
			r.Absent, r.Why = true, "there is no such device"
		case c.Energises() && !a.Energise:
			r.Why = "it energises what is connected, which was not permitted"
		default:
			if a.Begin != nil {
				a.Begin(c, i+1, len(checks))
			}
			begin := time.Now()
			r.Outcome, r.Why = a.one(ctx, c)
			r.Took = time.Since(begin)
		}
		list = append(list, r)
	}
	return list
}

// concerns says whether a check is about a device that there is.
func (a *Assessment) concerns(c Check) bool {
	role, _, of := strings.Cut(c.Name, "/")
	return !of || a.Roles == nil || slices.Contains(a.Roles, Role(role))
}

// one runs one check.
func (a *Assessment) one(ctx context.Context, c Check) (Outcome, string) {
	limit := a.Limit
	if limit == 0 {
		limit = time.Minute
	}
	called := ctx
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	f, end, err := a.Open(ctx)
	if err != nil {
		return Failed, fmt.Sprintf("could not be opened: %v", err)
	}
	done := make(chan error, 1)
	go func() { done <- c.Do(f) }()
	select {
	case err = <-done:
		end()
	case <-ctx.Done():
		end()
		<-done // its calls return, now that the devices are gone
		if called.Err() != nil {
			return NotChecked, "called off"
		}
		return Failed, fmt.Sprintf("took over %v", limit)
	}
	switch {
	case err == nil:
		return Held, ""
	case errors.Is(err, ErrSkip):
		return NotChecked, strings.TrimPrefix(err.Error(), ErrSkip.Error()+": ")
	}
	return Failed, err.Error()
}
