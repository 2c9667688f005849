package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"

	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// judgeTries is how often the judge of one run is started before it is left
// alone until the next start of the orchestrator: the run stays unproven.
const judgeTries = 3

// judges starts the judge of every ended run, one at a time, each in a process
// of its own at low priority, so that no history is decoded in the process that
// renews leases. What is still to judge is asked of the store, not remembered:
// a judge that died, or an orchestrator that did, leaves its run to be found.
type judges struct {
	a       *app
	st      *store.Store
	address string
	more    chan struct{}
	tries   map[string]int
	gaveUp  func(run string) // told of a run that is not tried again
}

func newJudges(a *app, st *store.Store, address string) *judges {
	return &judges{a: a, st: st, address: address, more: make(chan struct{}, 1), tries: map[string]int{}}
}

// wake says that there may be more to judge. It never waits.
func (j *judges) wake() {
	select {
	case j.more <- struct{}{}:
	default:
	}
}

func (j *judges) loop(ctx context.Context) {
	j.wake() // what an earlier life left behind
	for {
		select {
		case <-ctx.Done():
			return
		case <-j.more:
		}
		for {
			run, err := j.next()
			if err != nil {
				fmt.Fprintf(j.a.err, "rigwarden: looking for runs to judge: %v\n", err)
			}
			if run == "" || ctx.Err() != nil {
				break
			}
			j.tries[run]++
			if err := j.judge(ctx, run); err != nil && ctx.Err() == nil {
				fmt.Fprintf(j.a.err, "rigwarden: judge of %s: %v (try %d of %d)\n", run, err, j.tries[run], judgeTries)
				if j.tries[run] >= judgeTries {
					j.gaveUp(run)
				}
			}
		}
	}
}

// next finds an ended run that nobody has judged.
func (j *judges) next() (string, error) {
	runs, err := j.st.Runs(store.RunFilter{})
	if err != nil {
		return "", err
	}
	for _, r := range runs {
		if r.Outcome == "" || r.Verdict != store.Unproven || j.tries[r.ID] >= judgeTries {
			continue
		}
		_, err := j.st.Figures(r.ID)
		if errors.Is(err, store.ErrNotFound) {
			return r.ID, nil
		}
		if err != nil {
			return "", err
		}
	}
	return "", nil
}

// judge runs one judge to its end. Its exit code tells the verdict; only codes
// that mean "could not judge" are failures here.
func (j *judges) judge(ctx context.Context, run string) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	cmd := exec.CommandContext(ctx, self, "run", "judge", run, "--server", j.address)
	cmd.Stderr = j.a.err
	if err := cmd.Start(); err != nil {
		return err
	}
	lowerPriority(cmd.Process.Pid)
	err = cmd.Wait()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		switch exit.ExitCode() {
		case exitNotPassed, exitTripped:
			return nil
		}
	}
	return err
}
