package host

import (
	"context"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// reader reads one device in a goroutine of its own, so that a device that
// hangs holds up nobody but itself.
type reader struct {
	role Role
	// at are the layout's positions that the device fills; the last is its
	// counter.
	at []int
	// fetch reads the device into got, in the order of at.
	fetch func(ctx context.Context, got []int32) error
	ask   chan struct{}
	// got belongs to the reader's goroutine while busy, to the sampler else.
	got   []int32
	busy  bool
	asked uint64 // the round in which it was asked last
	// resting: the device is being left alone; rested is when that last ended.
	resting bool
	rested  drivers.Instant

	// What the sampler knows.
	values   []int32 // of the latest answer
	answered drivers.Instant
	err      error // of the latest failure
	lost     bool
	ever     bool // it answered at least once
}

// answer says that a reader is idle again.
type answer struct {
	r   *reader
	at  drivers.Instant
	err error
}

// accept takes the reader's answer and makes it idle.
func (r *reader) accept(a answer) {
	r.busy = false
	if r.err = a.err; a.err == nil {
		copy(r.values, r.got)
		r.answered, r.ever = a.at, true
	}
}

func newReader(role Role, layout *drivers.Layout, kinds []drivers.Kind, fetch func(context.Context, []int32) error) *reader {
	r := &reader{role: role, fetch: fetch, ask: make(chan struct{}, 1)}
	for _, k := range kinds {
		for i, c := range layout.Channels {
			if c.Kind == k {
				r.at = append(r.at, i)
			}
		}
	}
	r.got, r.values = make([]int32, len(r.at)), make([]int32, len(r.at))
	return r
}

// run serves the sampler's requests until ctx is over.
func (r *reader) run(ctx context.Context, timeout time.Duration, now func() drivers.Instant, answers chan<- answer) {
	for {
		select {
		case <-r.ask:
		case <-ctx.Done():
			return
		}
		call, cancel := context.WithTimeout(ctx, timeout)
		err := r.fetch(call, r.got)
		cancel()
		answers <- answer{r, now(), err} // has room for every reader
	}
}

// readers of the instruments that a bench has.
func readers(c *Config, s *sampler) []*reader {
	if c.Sample != nil {
		return []*reader{wholeReader(c, s)}
	}
	var list []*reader
	add := func(role Role, fetch func(context.Context, []int32) error) {
		list = append(list, newReader(role, c.layout, roleKinds[role], fetch))
	}
	if m := c.Set.Monitor; m != nil {
		add(RoleMonitor, monitorFetch(m, &c.Bench.Monitor))
	}
	if p := c.Set.Supply; p != nil {
		add(RoleSupply, powerFetch(p.Read))
	}
	if p := c.Set.Load; p != nil {
		add(RoleLoad, powerFetch(p.Read))
	}
	if b := c.Set.Box; b != nil {
		add(RoleBox, boxFetch(b, c.layout.Find(drivers.BoxCurrent) >= 0))
	}
	if m := c.Set.Meter; m != nil {
		add(RoleMeter, meterFetch(m))
	}
	return list
}

func powerFetch(read func(context.Context) (drivers.Reading, error)) func(context.Context, []int32) error {
	return func(ctx context.Context, got []int32) error {
		r, err := read(ctx)
		if err != nil {
			return err
		}
		got[0], got[1], got[2], got[3] = r.Voltage, r.Current, r.State, r.Beat
		return nil
	}
}

func meterFetch(m drivers.Meter) func(context.Context, []int32) error {
	return func(ctx context.Context, got []int32) error {
		r, err := m.Read(ctx)
		if err != nil {
			return err
		}
		got[0], got[1] = r.Voltage, r.Beat
		return nil
	}
}

func boxFetch(b drivers.Box, sensor bool) func(context.Context, []int32) error {
	return func(ctx context.Context, got []int32) error {
		r, err := b.Read(ctx)
		if err != nil {
			return err
		}
		got[0] = r.Link
		if sensor {
			got[1] = r.Current
		}
		got[len(got)-2], got[len(got)-1] = r.State, r.Beat
		return nil
	}
}

func monitorFetch(m drivers.Monitor, spec *drivers.MonitorSpec) func(context.Context, []int32) error {
	var r drivers.MonitorReading
	words := (spec.Cells + 15) / 16
	return func(ctx context.Context, got []int32) error {
		if err := m.Read(ctx, &r); err != nil {
			return err
		}
		if len(r.Cells) != spec.Cells || len(r.Temps) != spec.Temps || len(r.Bleeding) != words {
			return fmt.Errorf("%w: %d cells, %d temperatures, %d bleed words; the bench has %d, %d and %d",
				ErrImpossible, len(r.Cells), len(r.Temps), len(r.Bleeding), spec.Cells, spec.Temps, words)
		}
		n := copy(got, r.Cells)
		n += copy(got[n:], r.Temps)
		got[n] = r.Current
		copy(got[n+1:], r.Bleeding)
		got[len(got)-1] = r.Beat
		return nil
	}
}

// wholeReader takes whole frames from the caller's sampler.
func wholeReader(c *Config, s *sampler) *reader {
	r := &reader{role: RoleMonitor, ask: make(chan struct{}, 1), at: make([]int, len(c.layout.Channels))}
	for i := range r.at {
		r.at[i] = i
	}
	r.got, r.values = make([]int32, len(r.at)), make([]int32, len(r.at))
	var f drivers.Frame
	var fast bool
	r.fetch = func(_ context.Context, got []int32) error {
		if want := s.hurried(); want != fast {
			if fast = want; c.OnFast != nil {
				c.OnFast(fast)
			}
		}
		f.Counts, f.At = got, 0
		ok := c.Sample(&f)
		if c.Next != nil {
			s.nextAt.Store(int64(c.Next()))
		}
		if !ok {
			return fmt.Errorf("frame lost on its way: %w", drivers.ErrNoAnswer)
		}
		if len(f.Counts) != len(got) {
			return fmt.Errorf("%w: the sampler filled %d channels, the bench has %d", ErrImpossible, len(f.Counts), len(got))
		}
		copy(got, f.Counts) // the sampler may have put its own slice
		s.sampledAt.Store(int64(f.At))
		return nil
	}
	return r
}
