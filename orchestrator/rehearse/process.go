package rehearse

import (
	"errors"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// open starts the process: the store is opened, which recovers what was left, and
// a new loop begins over the rig as it is. A process that ran before ends first,
// in order or, where it was killed, as it stood.
func (x *rehearsal) open() error {
	w := x.w
	if err := x.leave(); err != nil {
		return err
	}
	latched, err := x.shelf.open()
	if err != nil {
		return err
	}
	w.begins()
	x.loop = bench.NewStepped(port{w.rig, w}, bench.Options{
		Name: x.c.plan.Bench.Name, Latched: latched, Latches: x.shelf, Waits: x.shelf.disk.waits, Commits: x.commits,
		Alert: func(n bench.Alert) { w.notify(n.Notify) },
	})
	return nil
}

// leave ends the process that runs, if one does.
func (x *rehearsal) leave() error {
	if x.loop != nil {
		x.loop.Leave()
		x.loop = nil
	}
	for _, l := range x.shelf.runs {
		l.closed = true
	}
	err := x.shelf.close()
	if x.w.dead {
		x.w.dead, x.shelf.busy, x.shelf.disk.busy = false, false, 0
		return nil // what a dead process's store says was heard by nobody
	}
	return err
}

// start begins a run, as the service does: it is recorded first, and one that the
// bench then refuses stands in the record as refused (INV-07). A store that takes
// no run refuses it, too.
func (x *rehearsal) start() error {
	plan := x.c.plan
	planner, err := balance.New(plan, x.t.curve)
	if err != nil {
		return err
	}
	text, digest, err := x.canonical()
	if err != nil {
		return err
	}
	x.end = nil
	x.w.starts()
	// The run is recorded as a live one is, in pieces that are sealed later.
	x.shelf.disk.inline = true
	rec, err := x.shelf.st.Begin(store.Run{
		Bench: plan.Bench.Name, Module: x.t.Module.Serial, Profile: plan.Profile, Layout: &plan.Layout,
		Plan: text, PlanDigest: digest, Criteria: x.t.criteria, Start: x.w.rig.Now(), Who: person,
	})
	x.shelf.disk.inline = false
	x.w.alive()
	if err != nil {
		if x.shelf.disk.fault.Kind == StoreGood {
			return err
		}
		x.end = &bench.Ending{Outcome: machine.OutcomeRefused, Reason: err.Error()}
		return nil
	}
	j := tape{x.shelf, rec, &ledger{run: rec.ID()}}
	x.shelf.runs = append(x.shelf.runs, j.l)
	err = x.loop.Start(bench.StartRequest{
		Run: rec.ID(), Plan: plan, PlanDigest: digest, Journal: j, Planner: planner, Who: person,
		Finished: func(e bench.Ending) {
			_ = j.finish(e) // a run without a recorded end is found when the store is opened next
			x.end = &e
			x.w.finished(e)
		},
	})
	if err != nil {
		j.l.closed = true
		return errors.Join(err, rec.Finish(machine.OutcomeRefused, err.Error(), x.w.rig.Now()))
	}
	return nil
}

// canonical is the text of the campaign's plan, and its digest.
func (x *rehearsal) canonical() ([]byte, string, error) {
	if x.c.plan == x.t.Plan {
		return x.t.canonical, x.t.digest, nil
	}
	if x.text == nil {
		var err error
		if x.text, x.digest, err = profiles.Canonical(x.c.plan); err != nil {
			return nil, "", err
		}
	}
	return x.text, x.digest, nil
}

// safely does something in the process's life and says whether that ended.
func safely(do func()) (dead bool) {
	defer func() {
		if p := recover(); p != nil {
			if _, ok := p.(killed); !ok {
				panic(p)
			}
			dead = true
		}
	}()
	do()
	return false
}

// legacy is what a killed process left that the next one must find.
type legacy struct {
	at     drivers.Instant // when it died
	marked bool            // the bench was energised
	latch  string          // a trip whose latch was durable
}

// revive is a killed process's next life: the instruments flowed on, and nobody
// starts anything (INV-06). The new process may be killed while it starts, and
// another one started. On a disk that takes nothing none can: then the bench
// stands without one until somebody has put the disk right.
func (x *rehearsal) revive() error {
	w, s := x.w, x.shelf
	x.r.Killed = true
	kill := x.c.Kill
	x.legacy = legacy{w.rig.Now(), s.energised && !s.unsure, s.latch}
	if w.say != nil {
		w.say(w.rig.Now(), "process killed")
	}
	w.dies()
	w.rig.Advance(w.rig.Now().Add(kill.Outage))
	if kill.Again > 0 {
		w.killAt = w.calls + kill.Again
	}
	var err error
	for dead := true; dead && err == nil; {
		if dead = safely(func() { err = x.open() }); !dead {
			break
		}
		if x.r.Again = true; w.say != nil {
			w.say(w.rig.Now(), "process killed again while it starts")
		}
	}
	w.killAt, w.killWhen = 0, 0
	switch {
	case err == nil:
		x.inherit()
		x.idle(afterKill)
	case s.disk.bad(StoreFailing) || s.disk.bad(StoreFull):
		if w.say != nil {
			w.say(w.rig.Now(), "no process starts: the store does not open") // its error names a folder, which is another one each time
		}
		w.rig.Advance(w.rig.Now().Add(afterKill))
	default:
		return fmt.Errorf("campaign %d: after a kill: %w", x.c.Seed, err)
	}
	if truth := w.rig.Truth(); truth.Flowing {
		w.beyond(6, "%v flows after the restart", truth.Current)
	}
	if x.end == nil {
		x.end = &bench.Ending{Outcome: machine.OutcomeInterrupted, Reason: "process killed"}
	}
	return nil
}

// inherit holds what a process finds against what the killed one left.
func (x *rehearsal) inherit() {
	w, left, found := x.w, x.legacy, x.loop.Latched()
	x.r.Latched = found != ""
	if w.say != nil {
		w.say(w.rig.Now(), "process started again, latched: "+found)
	}
	if left.marked && found == "" {
		w.violate(5, "the process died while the bench was energised, and nothing is latched")
	}
	if left.latch != "" && found != left.latch {
		w.violate(5, "the bench was latched (%s), and the next process finds %q", left.latch, found)
	}
	x.judgeLife(left.at)
}

// secondRun holds the record of the run after the repair against what it must be:
// whole, and enough for a verdict.
func (x *rehearsal) secondRun(st *store.Store) {
	l := x.shelf.runs[len(x.shelf.runs)-1]
	if !l.finished {
		x.w.violate(14, "run %s, after the repair, has no complete record", l.run)
		return
	}
	if err := x.judgeInputs(st, l.run); err != nil {
		x.w.violate(14, "run %s cannot be judged from its record: %v", l.run, err)
	}
}

// alive ends the process where it has just died in a write.
func (w *witness) alive() {
	if w.dead {
		panic(killed{})
	}
}

// call counts a call by which a process reaches out of itself, and ends the
// process where the campaign wants that.
func (w *witness) call() {
	if w.dead || w.count(false) {
		panic(killed{})
	}
}

// often is call for what comes with every frame.
func (w *witness) often() {
	if w.dead || w.count(true) {
		panic(killed{})
	}
}

// count counts a call and says whether the process dies of it.
func (w *witness) count(often bool) bool {
	w.calls++
	if w.healthy != nil && !often {
		w.healthy.Acts = append(w.healthy.Acts, w.calls)
	}
	if w.calls != w.killAt && (w.killWhen == 0 || w.rig.Now() < w.killWhen) {
		return false
	}
	w.killWhen = 0
	w.dead = true
	return true
}
