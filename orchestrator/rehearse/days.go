package rehearse

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// DayResult is what became of a day without faults.
type DayResult struct {
	Seed   uint64
	Text   string
	Span   drivers.Span
	Frames int
	Runs   int // that ended by themselves
	// Trips, Pauses and Alarms are false, all of them: nothing was wrong. Ends
	// are runs that ended otherwise than done, but for those whose balancing gave
	// up, which Unbalanced tells.
	Trips, Pauses, Alarms, Ends []string
	Unbalanced                  []string
}

// DaySpan is a day.
const DaySpan = 24 * drivers.Hour

// Quiet says that nothing was found on the day. A balance that gave up is no
// finding: a healthy module on coarse taps may be beyond what can be balanced.
func (r *DayResult) Quiet() bool { return len(r.Trips)+len(r.Pauses)+len(r.Alarms)+len(r.Ends) == 0 }

// notebook is a day's journal: it keeps what tells that something was found, and
// counts the rest.
type notebook struct{ r *DayResult }

func (n notebook) Frame(*drivers.Frame) error { n.r.Frames++; return nil }
func (n notebook) Commit() error              { return nil }
func (n notebook) Pending() drivers.Instant   { return 0 }
func (n notebook) MarkSafe() error            { return nil }

func (n notebook) MarkEnergised(uint64, drivers.Instant, uint64, string) error { return nil }
func (n notebook) SetLatch(string, drivers.Instant) error                      { return nil }
func (n notebook) ClearLatch(string, string, drivers.Instant) error            { return nil }

func (n notebook) Trip(_ uint64, at drivers.Instant, _, reason string) error {
	n.r.Trips = append(n.r.Trips, seconds(at.Sub(began))+" "+reason)
	return nil
}

func (n notebook) Urgent(seq uint64, at drivers.Instant, line string) error {
	return n.Line(seq, at, line)
}

func (n notebook) Line(_ uint64, at drivers.Instant, line string) error {
	text := seconds(at.Sub(began)) + " " + line
	switch {
	case strings.HasPrefix(line, `record kind="pause"`):
		n.r.Pauses = append(n.r.Pauses, text)
	case strings.HasPrefix(line, `record kind="alarm"`):
		n.r.Alarms = append(n.r.Alarms, text)
	}
	return nil
}

// Run lives the day through: the profile again and again, each run from where
// the one before left the article, for a span of the bench's time. A trip ends
// the day; say, where given, is told of each run's end.
func (d *Day) Run(span drivers.Span, say func(text string)) (*DayResult, error) {
	r := &DayResult{Seed: d.Seed, Text: d.Text}
	rig, err := virtual.New(d.config)
	if err != nil {
		return nil, fmt.Errorf("day %d: %w", d.Seed, err)
	}
	book := notebook{r}
	loop := bench.NewStepped(rig, bench.Options{Name: d.plan.Bench.Name, Latches: book})
	until := began.Add(span)
	for loop.Now() < until && len(r.Trips) == 0 {
		planner, err := balance.New(d.plan, d.curve)
		if err != nil {
			return nil, fmt.Errorf("day %d: %w", d.Seed, err)
		}
		var end *bench.Ending
		before := loop.Now()
		err = loop.Start(bench.StartRequest{
			Run: fmt.Sprintf("d%06d", r.Runs+1), Plan: d.plan, Journal: book, Planner: planner, Who: person,
			Finished: func(e bench.Ending) { end = &e },
		})
		if err != nil {
			return nil, fmt.Errorf("day %d: %w", d.Seed, err)
		}
		for end == nil && loop.Now() < until {
			loop.Turn()
		}
		if end == nil {
			break // the day is over in the middle of a run
		}
		r.Runs++
		if text := fmt.Sprintf("%s %s: %s", seconds(end.At.Sub(began)), end.Outcome, end.Reason); end.Outcome == machine.OutcomeFailed && strings.HasPrefix(end.Reason, "balanc") {
			r.Unbalanced = append(r.Unbalanced, text)
		} else if end.Outcome != machine.OutcomeDone && len(r.Trips) == 0 {
			r.Ends = append(r.Ends, text)
		}
		if say != nil {
			say(fmt.Sprintf("%s run %d from %s ended %s %s", seconds(end.At.Sub(began)), r.Runs, seconds(before.Sub(began)), end.Outcome, end.Reason))
		}
		if loop.Now() == before { // refused at once: nothing would move time on
			break
		}
	}
	r.Span = loop.Now().Sub(began)
	return r, nil
}

// Days runs the days of n seeds from first on over some workers, each for a span
// of the bench's time, and calls done in the order of the seeds. It ends early,
// without an error, where the context does.
func Days(ctx context.Context, first uint64, n, workers int, span drivers.Span, done func(*DayResult)) error {
	return days(ctx, first, n, workers, func(*Day) drivers.Span { return span }, done)
}

func days(ctx context.Context, first uint64, n, workers int, span func(*Day) drivers.Span, done func(*DayResult)) error {
	type answer struct {
		k   int
		r   *DayResult
		err error
	}
	var next atomic.Int64
	answers := make(chan answer, max(workers, 1))
	var group sync.WaitGroup
	ctx, cancel := context.WithCancel(ctx)
	defer group.Wait()
	defer cancel()
	for range max(workers, 1) {
		group.Go(func() {
			for ctx.Err() == nil {
				k := int(next.Add(1)) - 1
				if k >= n {
					return
				}
				a := answer{k: k}
				var day *Day
				if day, a.err = DrawDay(first + uint64(k)); a.err == nil {
					a.r, a.err = day.Run(span(day), nil)
				}
				select {
				case answers <- a:
				case <-ctx.Done():
					return
				}
			}
		})
	}
	early := map[int]*DayResult{}
	for got := 0; got < n; {
		select {
		case a := <-answers:
			if a.err != nil {
				return a.err
			}
			early[a.k] = a.r
		case <-ctx.Done():
			return nil
		}
		for ; early[got] != nil; got++ {
			done(early[got])
			delete(early, got)
		}
	}
	return nil
}

// DaysSummary is what many days came to. The zero value is ready.
type DaysSummary struct {
	Days   int          `json:"days"`
	First  uint64       `json:"first_seed"`
	Last   uint64       `json:"last_seed"`
	Span   drivers.Span `json:"rig_time_us"`
	Frames int64        `json:"frames"`
	Runs   int          `json:"runs"`
	Trips  int          `json:"false_trips"`
	Pauses int          `json:"false_pauses"`
	Alarms int          `json:"false_alarms"`
	Ends   int          `json:"runs_not_done"`
	// Unbalanced are runs whose balancing gave up.
	Unbalanced int          `json:"runs_not_balanced"`
	Loud       []*DayResult `json:"found,omitempty"`
}

// Add takes a day's result in; days come in the order of their seeds.
func (s *DaysSummary) Add(r *DayResult) {
	if s.Days == 0 {
		s.First = r.Seed
	}
	s.Days, s.Last = s.Days+1, r.Seed
	s.Span += r.Span
	s.Frames += int64(r.Frames)
	s.Runs += r.Runs
	s.Trips += len(r.Trips)
	s.Pauses += len(r.Pauses)
	s.Alarms += len(r.Alarms)
	s.Ends += len(r.Ends)
	s.Unbalanced += len(r.Unbalanced)
	if !r.Quiet() {
		s.Loud = append(s.Loud, r)
	}
}

// Held says that nothing was found on any day.
func (s *DaysSummary) Held() bool { return s.Days > 0 && len(s.Loud) == 0 }

// Write prints the summary for people.
func (s *DaysSummary) Write(w io.Writer) {
	fmt.Fprintf(w, "%d days, seeds %d to %d: %.1f h of rig time, %d frames, %d runs ended\n",
		s.Days, s.First, s.Last, float64(s.Span)/float64(drivers.Hour), s.Frames, s.Runs)
	fmt.Fprintf(w, "false trips: %d, false pauses: %d, false alarms: %d, runs that did not end well: %d\n", s.Trips, s.Pauses, s.Alarms, s.Ends)
	fmt.Fprintf(w, "runs whose balancing gave up: %d\n", s.Unbalanced)
	for _, r := range s.Loud {
		fmt.Fprintf(w, "seed %d (%s)\n", r.Seed, r.Text)
		for _, list := range [][]string{r.Trips, r.Pauses, r.Alarms, r.Ends} {
			for _, text := range list {
				fmt.Fprintf(w, "  %s\n", text)
			}
		}
	}
}
