package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/study"
	"github.com/rigwarden/rigwarden/profiles"
)

type studyFlags struct {
	module, profile, bench, criteria string
	kinds                            []string
	modules, first, measured         uint64
	period                           time.Duration
	parts                            string
}

func (a *app) studyCmd() *cobra.Command {
	var f studyFlags
	c := &cobra.Command{
		Use:   "study",
		Short: "Tell which hidden defects a profile on your bench would find, and how large they must be",
		Long: `Draw modules of new cells with hidden defects of every size, and benches whose errors
lie anywhere within what the bench file declares; run your profile on each in virtual
time, with the code of a real run; judge by your criteria; and compare with what the
virtual module knows. The answer is a table: how large a bad joint, a weak cell, a leak
has to be to be held back, how often a good module is held back, and how often a stated
interval held the truth.

A seed gives the same on any machine. Progress goes to standard error.`,
		Example: `  rigwarden study --modules 100
  rigwarden study --module KW-01.yaml --profile mine.yaml --bench bench.yaml --criteria mine-criteria.yaml
  rigwarden study --kind joint --kind none --modules 1000`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.study(cmd.Context(), f) },
	}
	fl := c.Flags()
	fl.StringVar(&f.module, "module", "KW-01", "module file or shipped module")
	fl.StringVar(&f.profile, "profile", "screen", "profile file or shipped profile")
	fl.StringVar(&f.bench, "bench", "quay-1", "bench file or shipped bench")
	fl.StringVar(&f.criteria, "criteria", "screen", "criteria file or shipped criteria")
	fl.StringArrayVar(&f.kinds, "kind", nil, "kind of defect; may be given again (default all: "+strings.Join(kindNames(), ", ")+")")
	fl.Uint64Var(&f.modules, "modules", 100, "how many modules of each kind")
	fl.DurationVar(&f.period, "period", 0, "how often the monitor reads, where that is to be other than the bench says: seldom is quicker")
	fl.StringVar(&f.parts, "parts", "", "folder in which each finished kind is kept, so that a study that was broken off goes on")
	fl.Uint64Var(&f.measured, "measured", 0, "how many modules to measure for how often stated intervals hold the truth")
	fl.Uint64Var(&f.first, "first", 1, "the first seed")
	if err := c.RegisterFlagCompletionFunc("kind", offer(kindNames)); err != nil {
		panic(err) // the flag is not there
	}
	return c
}

func kindNames() (names []string) {
	for _, k := range study.Kinds() {
		names = append(names, k.Name)
	}
	return names
}

// shippedOr reads a file, or the shipped one of that name.
func shippedOr(flag, arg string, shipped func(string) ([]byte, error)) (name string, text []byte, err error) {
	if _, err := os.Stat(arg); err != nil && !strings.ContainsAny(arg, `/\.`) {
		text, err := shipped(arg)
		if err != nil {
			return "", nil, usagef("--%s %s is neither a file nor a shipped one: %w", flag, arg, err)
		}
		return arg + ".yaml", text, nil
	}
	src, err := readFile(arg)
	if err != nil {
		return "", nil, err
	}
	return src.GetName(), src.GetContent(), nil
}

func (f *studyFlags) study() (*study.Study, []study.Kind, error) {
	kinds := study.Kinds()
	if len(f.kinds) > 0 {
		kinds = nil
		for _, n := range f.kinds {
			k, ok := study.KindOf(n)
			if !ok {
				return nil, nil, usagef("--kind %s: one of %s would be right", n, strings.Join(kindNames(), ", "))
			}
			kinds = append(kinds, k)
		}
	}
	if f.modules < 1 || f.modules > 1_000_000 || f.measured > 1_000_000 {
		return nil, nil, usagef("--modules %d: 1 to 1000000 would be right", f.modules)
	}
	var problems []profiles.Problem
	file := func(flag, arg string, shipped func(string) ([]byte, error), parse func(string, []byte) []profiles.Problem) error {
		name, text, err := shippedOr(flag, arg, shipped)
		if err == nil {
			problems = append(problems, parse(name, text)...)
		}
		return err
	}
	var m *profiles.Module
	var p *profiles.Profile
	var b *profiles.Bench
	var c *profiles.Criteria
	for _, err := range []error{
		file("module", f.module, profiles.LibraryModule, func(n string, t []byte) (ps []profiles.Problem) { m, ps = profiles.ParseModule(n, t); return ps }),
		file("profile", f.profile, profiles.LibraryProfile, func(n string, t []byte) (ps []profiles.Problem) { p, ps = profiles.ParseProfile(n, t); return ps }),
		file("bench", f.bench, profiles.LibraryBench, func(n string, t []byte) (ps []profiles.Problem) { b, ps = profiles.ParseBench(n, t); return ps }),
		file("criteria", f.criteria, profiles.LibraryCriteria, func(n string, t []byte) (ps []profiles.Problem) { c, ps = profiles.ParseCriteria(n, t); return ps }),
	} {
		if err != nil {
			return nil, nil, err
		}
	}
	if len(problems) > 0 {
		return nil, nil, usageError{profiles.Error(problems)}
	}
	if f.period > 0 {
		b.Monitor.Period = drivers.Span(f.period.Microseconds())
	}
	s, err := study.New(m, p, b, c)
	if err != nil {
		return nil, nil, usageError{err}
	}
	return s, kinds, nil
}

func (a *app) study(ctx context.Context, f studyFlags) error {
	s, kinds, err := f.study()
	if err != nil {
		return err
	}
	tally := study.NewTally(kinds)
	of := fmt.Sprintf("%s, %d modules from %d", s.Name(), f.modules, f.first)
	left, n := kinds, uint64(0)
	if f.parts != "" {
		left = nil
		for _, k := range kinds {
			p, ok, err := study.Kept(f.parts, of, k.Name)
			switch {
			case err != nil:
				return err
			case ok:
				tally.Put(p)
				n += f.modules
			default:
				left = append(left, k)
			}
		}
	}
	total := f.modules * uint64(len(kinds))
	if len(left) > 0 {
		done, err := a.studyKinds(ctx, &f, s, left, tally, of)
		if err != nil {
			return err
		}
		n += done
	}
	if f.measured > 0 {
		if err := a.studyIntervals(ctx, &f, s, tally); err != nil {
			return err
		}
	}
	if a.json {
		if err := a.printJSON(map[string]any{"asked": total, "modules": n, "first_seed": f.first, "curves": tally.Curves(), "coverage": tally.Coverages(), "false_alarms": tally.FalseAlarms()}); err != nil {
			return err
		}
	} else {
		fmt.Fprintf(a.out, "# Hidden defects of %s by profile %s on bench %s, criteria %s\n\n%d modules of each kind, seeds from %d. Regenerate with\n\n    %s\n\n",
			f.module, f.profile, f.bench, f.criteria, f.modules, f.first, f.command())
		tally.Write(a.out)
	}
	if n < total { // ended early: what is missing proves nothing
		fmt.Fprintf(a.err, "ended early: %d of %d modules\n", n, total)
		return ending{exitNotPassed}
	}
	return nil
}

// command is how to get the same again.
func (f *studyFlags) command() string {
	s := fmt.Sprintf("rigwarden study --module %s --profile %s --bench %s --criteria %s --modules %d --first %d",
		f.module, f.profile, f.bench, f.criteria, f.modules, f.first)
	if f.period > 0 {
		s += " --period " + f.period.String()
	}
	if f.measured > 0 {
		s += fmt.Sprintf(" --measured %d", f.measured)
	}
	for _, k := range f.kinds {
		s += fmt.Sprintf(" --kind %q", k)
	}
	return s
}

// studyKinds runs what is not kept yet, and keeps each kind that is through.
func (a *app) studyKinds(ctx context.Context, f *studyFlags, s *study.Study, kinds []study.Kind, tally *study.Tally, of string) (uint64, error) {
	total := f.modules * uint64(len(kinds))
	told := a.newRunsTold(total)
	workers := runtime.GOMAXPROCS(0)
	begin := time.Now()
	if _, err := waitFor(ctx, func() (*study.Trial, error) { return s.Run(f.first, &kinds[0]) }); err != nil {
		return 0, err
	}
	once := time.Since(begin)
	told.begin(float64(time.Minute)/float64(once)*float64(workers), once*time.Duration(total)/time.Duration(workers))
	n := uint64(0)
	var broken error
	err := s.Many(ctx, kinds, f.first, int(f.modules), workers, func(t *study.Trial) {
		tally.Add(t)
		n++
		told.done(t.Seed, true)
		if n%f.modules == 0 && f.parts != "" && broken == nil {
			broken = tally.Take(of, t.Kind).Keep(f.parts)
		}
	})
	told.clear()
	return n, errors.Join(err, broken)
}

// studyIntervals measures runs again and again, with what every figure needs.
func (a *app) studyIntervals(ctx context.Context, f *studyFlags, s *study.Study, tally *study.Tally) error {
	m, err := s.Measuring()
	if err != nil {
		return usageError{err}
	}
	of := fmt.Sprintf("%s, %d measured from %d", m.Name(), f.measured, f.first)
	if f.parts != "" {
		p, ok, err := study.Kept(f.parts, of, "")
		if err != nil || ok {
			tally.Put(p)
			return err
		}
	}
	err = m.Remeasure(ctx, tally, f.first, int(f.measured), runtime.GOMAXPROCS(0), func(n int) {
		fmt.Fprintf(a.err, "%d of %d measured\n", n, f.measured)
	})
	if err != nil {
		return err
	}
	if f.parts != "" {
		return tally.Take(of, "").Keep(f.parts)
	}
	return nil
}
