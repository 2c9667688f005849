package main

import (
	"context"
	"fmt"
	"runtime"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/rehearse"
)

// rehearseDays lives through days on which nothing is wrong. A run that is asked
// for in parts, each from where the one before ended (--first), is the same as
// one in a piece: a day is its seed's.
func (a *app) rehearseDays(ctx context.Context, f rehearseFlags) error {
	if f.days > seedsMost {
		return usagef("--days %d: 1 to %d would be right", f.days, seedsMost)
	}
	workers := runtime.GOMAXPROCS(0)
	told := a.newRunsTold(f.days)
	told.what = "days"
	told.inPlace("timing a piece of the first days")
	each, err := waitFor(ctx, func() (time.Duration, error) { return daySpan(f.first) })
	told.clear()
	var s rehearse.DaysSummary
	switch {
	case ctx.Err() != nil: // before anything was seen
		return a.judgedDays(&s, int(f.days))
	case err != nil:
		return err
	}
	told.begin(float64(workers)/each.Minutes(), each*time.Duration(f.days)/time.Duration(workers))
	err = rehearse.Days(ctx, f.first, int(f.days), workers, rehearse.DaySpan, func(r *rehearse.DayResult) {
		s.Add(r)
		told.done(r.Seed, r.Quiet())
	})
	told.clear()
	if err != nil {
		return err
	}
	return a.judgedDays(&s, int(f.days))
}

// timedDays is how many of the first days are timed, and timedSpan how much of
// each: days differ by how often their monitor reads.
const (
	timedDays = 4
	timedSpan = drivers.Hour
)

// daySpan estimates how long a day takes one processor.
func daySpan(first uint64) (time.Duration, error) {
	begin := time.Now()
	for n := range uint64(timedDays) {
		d, err := rehearse.DrawDay(first + n)
		if err != nil {
			return 0, err
		}
		if _, err := d.Run(timedSpan, nil); err != nil {
			return 0, err
		}
	}
	return max(time.Since(begin)*time.Duration(rehearse.DaySpan/timedSpan)/timedDays, time.Microsecond), nil
}

// judgedDays prints the summary and ends with what it says.
func (a *app) judgedDays(s *rehearse.DaysSummary, asked int) error {
	held := s.Held() && s.Days == asked
	if a.json {
		if err := a.printJSON(struct {
			Held  bool `json:"held"`
			Asked int  `json:"asked"`
			*rehearse.DaysSummary
		}{held, asked, s}); err != nil {
			return err
		}
	} else {
		s.Write(a.out)
		switch {
		case held:
			fmt.Fprintln(a.out, a.paint(green, "HELD"))
		case s.Days < asked:
			fmt.Fprintf(a.out, "%s: ended after %d of %d days\n", a.paint(red, "NOT FINISHED"), s.Days, asked)
		default:
			fmt.Fprintln(a.out, a.paint(red, "NOT HELD"))
		}
	}
	if !held {
		return ending{exitNotPassed}
	}
	return nil
}
