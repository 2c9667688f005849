package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/rehearse"
	"github.com/rigwarden/rigwarden/profiles"
)

type rehearseFlags struct {
	module, profile, bench string
	seeds, first           uint64
	seed                   uint64
	matrix                 bool
	days                   uint64
}

func (a *app) rehearseCmd() *cobra.Command {
	var f rehearseFlags
	c := &cobra.Command{
		Use:   "rehearse",
		Short: "Attack a profile on a virtual twin of your module and bench with drawn faults",
		Long: `Run your own profile, limits and bench on a virtual twin of your module, in virtual
time, again and again, while what a seed draws goes wrong: sensors, frames, drivers,
instruments, contactors, cells, the store, and the process itself. The code is that of
a real run. A judge who knows the true state of every cell says whether one left the
cell maker's limits, and whether the bench could be put right and work again.

It runs at full length and writes each run's record to a store, as a bench does: a
profile of a day may take a minute a run. How many runs a minute that makes is told
before they start. Progress goes to standard error.

A seed names a whole campaign and gives the same on any machine: --seed repeats one and
prints its event lines. --matrix strikes every single fault once in every state instead.
--days lives through healthy days on drawn benches and modules, in which nothing is to
be found: it tells how often the checks trip for nothing.

Exit codes here:
  0  everything held in all the runs that were asked for
  2  a file or flag has mistakes, or the profile does not even pass without faults
  3  something did not hold, or Ctrl-C ended it early: what is missing proves nothing`,
		Example: `  rigwarden rehearse --module QK-01 --profile quick --bench practice --seeds 1000
  rigwarden rehearse --module KW-01.yaml --profile mine.yaml --bench bench.yaml
  rigwarden rehearse --seed 17
  rigwarden rehearse --matrix
  rigwarden rehearse --days 100 --first 101`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.rehearse(cmd.Context(), f, cmd.Flags().Changed("seed"))
		},
	}
	c.Flags().StringVar(&f.module, "module", "QK-01", "module file or shipped module")
	c.Flags().StringVar(&f.profile, "profile", "quick", "profile file or shipped profile")
	c.Flags().StringVar(&f.bench, "bench", "practice", "bench file or shipped bench")
	c.Flags().Uint64Var(&f.seeds, "seeds", 100, "how many campaigns to run")
	c.Flags().Uint64Var(&f.first, "first", 1, "the first seed")
	c.Flags().Uint64Var(&f.seed, "seed", 0, "run this seed alone and print its event lines")
	c.Flags().BoolVar(&f.matrix, "matrix", false, "strike every single fault in every state and print the table")
	c.Flags().Uint64Var(&f.days, "days", 0, "live through this many days with nothing wrong")
	for _, other := range []string{"seed", "seeds", "matrix", "module", "profile", "bench"} {
		c.MarkFlagsMutuallyExclusive("days", other)
	}
	for _, other := range []string{"seeds", "first", "matrix"} {
		c.MarkFlagsMutuallyExclusive("seed", other)
	}
	c.MarkFlagsMutuallyExclusive("matrix", "seeds")
	c.MarkFlagsMutuallyExclusive("matrix", "first")
	return c
}

// seedsMost bounds what is asked for at once: weeks, on any machine.
const seedsMost = 1_000_000_000

func (a *app) rehearse(ctx context.Context, f rehearseFlags, single bool) error {
	if f.days > 0 {
		return a.rehearseDays(ctx, f)
	}
	if f.seeds < 1 || f.seeds > seedsMost { // no run at all would hold, and say nothing
		return usagef("--seeds %d: 1 to %d would be right", f.seeds, seedsMost)
	}
	asked := f.seeds
	if single {
		asked = 1
	}
	told := a.newRunsTold(asked)
	told.inPlace("running the profile once without faults")
	begin := time.Now()
	t, err := waitFor(ctx, func() (*rehearse.Twin, error) { return twinOf(f) })
	once := time.Since(begin)
	told.clear()
	switch {
	case err != nil:
	case single:
		err = a.rehearseOne(ctx, t, f.seed)
	case f.matrix:
		err = a.rehearseMatrix(ctx, t, told)
	default:
		err = a.rehearseMany(ctx, t, f, told, once)
	}
	if err != nil && ctx.Err() != nil && errors.Is(err, context.Canceled) { // before anything was judged
		var none rehearse.Summary
		none.Close()
		return a.judged(&none, int(asked))
	}
	return err
}

// twinOf reads the three files and makes their twin.
func twinOf(f rehearseFlags) (*rehearse.Twin, error) {
	var files [3]rehearse.File
	for i, x := range []struct {
		flag, arg string
		shipped   func(string) ([]byte, error)
	}{
		{"module", f.module, profiles.LibraryModule},
		{"profile", f.profile, profiles.LibraryProfile},
		{"bench", f.bench, profiles.LibraryBench},
	} {
		if _, err := os.Stat(x.arg); err != nil && !strings.ContainsAny(x.arg, `/\.`) {
			text, err := x.shipped(x.arg)
			if err != nil {
				return nil, usagef("--%s %s is neither a file nor a shipped one: %w", x.flag, x.arg, err)
			}
			files[i] = rehearse.File{Name: x.arg + ".yaml", Text: text}
			continue
		}
		src, err := readFile(x.arg)
		if err != nil {
			return nil, err
		}
		files[i] = rehearse.File{Name: src.GetName(), Text: src.GetContent()}
	}
	t, err := rehearse.Parse(files[0], files[1], files[2])
	if err != nil {
		return nil, usagef("%w", err)
	}
	return t, nil
}

// waitFor does what cannot be ended early on a goroutine of its own and lets
// Ctrl-C end the command all the same; the process then ends with it.
func waitFor[T any](ctx context.Context, do func() (T, error)) (T, error) {
	type answer struct {
		v   T
		err error
	}
	done := make(chan answer, 1)
	go func() {
		v, err := do()
		done <- answer{v, err}
	}()
	select {
	case a := <-done:
		return a.v, a.err
	case <-ctx.Done():
		var none T
		return none, context.Canceled
	}
}

// rehearseOne repeats one seed and prints what happened.
func (a *app) rehearseOne(ctx context.Context, t *rehearse.Twin, seed uint64) error {
	say := func(at drivers.Instant, line string) {
		fmt.Fprintf(a.out, "%12.3f  %s\n", float64(at.Sub(t.Began()))/1e6, line)
	}
	if a.json {
		say = nil
	}
	r, err := t.RunUntil(ctx, t.Draw(seed), say)
	var s rehearse.Summary
	switch {
	case ctx.Err() != nil:
	case err != nil:
		return err
	default:
		s.Add(r)
	}
	s.Close()
	return a.judged(&s, 1)
}

// rehearseGC lets garbage of short campaigns pile up: a sixth of the time is saved
// for some megabytes.
const rehearseGC = 400

// rehearseMany runs campaigns until all are done or somebody has seen enough.
func (a *app) rehearseMany(ctx context.Context, t *rehearse.Twin, f rehearseFlags, told *runsTold, once time.Duration) error {
	workers := runtime.GOMAXPROCS(0)
	defer debug.SetGCPercent(debug.SetGCPercent(rehearseGC))
	each, err := campaignSpan(ctx, t, f.first, once)
	if err != nil {
		return err
	}
	told.begin(float64(workers)/each.Minutes(), each*time.Duration(f.seeds)/time.Duration(workers))
	var s rehearse.Summary
	err = t.Many(ctx, f.first, int(f.seeds), workers, func(r *rehearse.Result) {
		s.Add(r)
		told.done(r.Campaign.Seed, r.Held())
	})
	told.clear()
	if err != nil {
		return err
	}
	s.Close()
	return a.judged(&s, int(f.seeds))
}

// measuredFor is how long campaigns are timed where they are short.
const measuredFor = 200 * time.Millisecond

// campaignSpan estimates how long a campaign takes one processor, from how long
// the twin's run without faults took: a campaign is one under faults and one
// after the repair. Where that was over before the program was warm, the first
// campaigns are timed.
func campaignSpan(ctx context.Context, t *rehearse.Twin, seed uint64, once time.Duration) (time.Duration, error) {
	if once > measuredFor {
		return 2 * once, nil
	}
	begin := time.Now()
	for n := uint64(0); ; n++ {
		if _, err := t.RunUntil(ctx, t.Draw(seed+n), nil); err != nil {
			return 0, err
		}
		if took := time.Since(begin); took > measuredFor {
			return took / time.Duration(n+1), nil
		}
	}
}

// judged prints the summary and ends with what it says. Runs that were asked for
// and not made prove nothing: who ended early is told what was seen, not that it
// held.
func (a *app) judged(s *rehearse.Summary, asked int) error {
	held := s.Held() && s.Runs == asked
	if a.json {
		if err := a.printJSON(struct {
			Held  bool `json:"held"`
			Asked int  `json:"asked"`
			*rehearse.Summary
		}{held, asked, s}); err != nil {
			return err
		}
	} else {
		fmt.Fprintln(a.out)
		s.Write(a.out)
		switch {
		case held:
			fmt.Fprintln(a.out, a.paint(green, "HELD"))
		case s.Held():
			fmt.Fprintf(a.out, "%s: ended after %d of %d runs, with nothing found in these\n", a.paint(red, "NOT FINISHED"), s.Runs, asked)
		default:
			fmt.Fprintln(a.out, a.paint(red, "NOT HELD"))
		}
	}
	if !held {
		return ending{exitNotPassed}
	}
	return nil
}

// rehearseMatrix strikes every single fault in every state.
func (a *app) rehearseMatrix(ctx context.Context, t *rehearse.Twin, told *runsTold) error {
	m, err := t.Matrix(ctx, told.struck)
	told.clear()
	if err != nil {
		return err
	}
	if a.json {
		if err := a.printJSON(m); err != nil {
			return err
		}
	} else {
		m.Write(a.out)
	}
	if !m.Held() {
		return ending{exitNotPassed}
	}
	return nil
}
