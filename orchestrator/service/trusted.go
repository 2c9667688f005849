package service

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/firstcheck"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// classB is where voltage class B begins, d.c. (ISO 6469-3, from memory): from
// here on the insulation of a module is known before anybody leaves it alone.
const classB = 60 * drivers.Volt

// first is what first checks are held against: the module as it is registered,
// and what a run is about to do with it.
type first struct {
	module     *profiles.Module
	checks     []store.Check
	attended   bool
	insulation bool // the bench measures the insulation before it energises
}

// energises says whether a plan moves charge or closes a contactor at all.
func energises(p *machine.Plan) bool {
	return slices.ContainsFunc(p.Code, func(i machine.Instruction) bool {
		return i.Op == machine.OpDrive || i.Op == machine.OpPulse || i.Op == machine.OpBleed || i.Op == machine.OpSwitch
	})
}

// trusted refuses to energise a module that nobody has looked at, or in which
// something was found that forbids it (INV-08). Virtual benches ask the same: who
// practises on them does what a real module needs.
func (s *Server) trusted(plan *machine.Plan, mod *profiles.Module, attended, insulation bool) error {
	if !energises(plan) {
		return nil
	}
	checks, err := s.Store.Checks(mod.Serial)
	if err != nil {
		return err
	}
	f := first{module: mod, checks: checks, attended: attended, insulation: insulation}
	lack := append(f.missing(), f.against()...)
	if len(lack) == 0 {
		return nil
	}
	what := "module " + mod.Serial + " is not to be energised yet"
	if !attended {
		what += ", and not with nobody beside it"
	}
	return &Error{Kind: KindRefused, What: what, Want: "make its first checks; rigwarden module check " + mod.Serial + " tells which were made", Problems: lack}
}

// latest is the latest check by a method, nil for none.
func (f *first) latest(method string) *store.Check {
	for i := len(f.checks) - 1; i >= 0; i-- {
		if f.checks[i].Method == method {
			return &f.checks[i]
		}
	}
	return nil
}

// missing lists the checks that have to be good, each with the command that
// makes it.
func (f *first) missing() (out []Problem) {
	serial := f.module.Serial
	demand := func(method, name, command string) {
		c := f.latest(method)
		switch {
		case c == nil:
			out = append(out, Problem{What: "no " + name + " was made", Want: command})
		case c.Digest != f.module.Digest:
			out = append(out, Problem{What: fmt.Sprintf("the %s of %s was made with another file of this module", name, dayOf(c)), Want: command})
		case c.Grade != string(firstcheck.Good):
			out = append(out, Problem{What: fmt.Sprintf("the %s of %s is %s: %s", name, dayOf(c), c.Grade, found(c)), Want: "do what it says, then " + command})
		}
	}
	demand("hand", "first-voltage check", fmt.Sprintf(`before the cell monitor is plugged in: rigwarden module check %s --total "... V" --cell "... V"`, serial))
	if f.demandsInsulation() {
		demand("insulation", "insulation check", fmt.Sprintf(`rigwarden module insulation %s --total "... V" --negative "... V" --positive "... V"`, serial))
	}
	return out
}

// demandsInsulation says whether somebody has to have measured the insulation:
// nobody will be beside the run to see what a first fault to ground does.
func (f *first) demandsInsulation() bool {
	return !f.attended && !f.insulation && drivers.Microvolts(f.module.Series)*f.module.Maker.CellMax > classB
}

// against lists what other checks found: a module in quarantine or a danger is
// not energised at all, one with something to put right only with a person
// beside it, who has to try again after all.
func (f *first) against() (out []Problem) {
	for _, method := range []string{"insulation", "taps", "pulse"} {
		c := f.latest(method)
		if c == nil || method == "insulation" && f.demandsInsulation() { // stands among what is missing
			continue
		}
		grade := firstcheck.Grade(c.Grade)
		forbidden := grade == firstcheck.Quarantine || grade == firstcheck.Danger
		// What another file's module had to put right says nothing of this one.
		stopped := grade == firstcheck.Stop && c.Digest == f.module.Digest && (!f.attended || method == "insulation")
		if !forbidden && !stopped {
			continue
		}
		of := ""
		if c.Run != "" {
			of = " of run " + c.Run
		}
		out = append(out, Problem{What: fmt.Sprintf("the %s check%s of %s says %s: %s", method, of, dayOf(c), c.Grade, found(c)), Want: again(method, f.module.Serial)})
	}
	return out
}

// again says how a check is repeated once what it found was put right.
func again(method, serial string) string {
	if method == "insulation" {
		return "find the fault, then rigwarden module insulation " + serial + " again"
	}
	return "do what it says, then check a run that energises nothing (profile watch) or the profile first-checks, with a person beside it: rigwarden module check " + serial + " --run RUN"
}

func dayOf(c *store.Check) string { return time.UnixMicro(int64(c.At)).UTC().Format(time.DateOnly) }

// found is the gravest thing that a check found.
func found(c *store.Check) string {
	var list []firstcheck.Finding
	if err := json.Unmarshal(c.Findings, &list); err != nil {
		return "its findings cannot be read"
	}
	for _, f := range list {
		if f.Grade == firstcheck.Worst(list) {
			return strings.TrimSuffix(f.What, ".")
		}
	}
	return "nothing was found"
}
