package readiness

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Options of Check.
type Options struct {
	// Wait lets time pass; nil: real time.
	Wait func(ctx context.Context, d drivers.Span) error
	// Call bounds each call; 0: 2 s.
	Call time.Duration
	// Missing are the instruments that could not be opened at all, by role.
	Missing map[string]error
}

// Prober is a driver that has more to say of its instrument than the contract
// asks for. Probing changes nothing.
type Prober interface {
	Probe(ctx context.Context) ([]string, error)
}

// watchPeriods is how many monitor periods the bench is watched: enough to see
// a counter that stands still.
const watchPeriods = 8

// stalePeriods is how many monitor periods an instrument's counter may stand
// still, as in a run (INV-02).
const stalePeriods = 5

type checker struct {
	bench  *drivers.Bench
	set    drivers.Set
	o      Options
	report Report
	// trusted are the roles at which the right instrument answers.
	trusted map[string]bool

	supply, load, meter look
	box                 boxLook
	monitor             monitorLook
}

// look is what watching one instrument gave.
type look struct {
	fresh   int // new readings
	last    int32
	age     drivers.Span
	reading drivers.Reading
	err     error
	ever    bool
}

// Check looks at every instrument of the bench. It energises nothing. What does
// not answer is a finding, not an error.
func Check(ctx context.Context, b *drivers.Bench, s drivers.Set, o Options) *Report {
	if o.Call == 0 {
		o.Call = 2 * time.Second
	}
	if o.Wait == nil {
		o.Wait = wait
	}
	c := &checker{bench: b, set: s, o: o, report: Report{Bench: b.Name, Findings: []Finding{}}, trusted: map[string]bool{}}
	c.identify(ctx)
	c.watch(ctx)
	c.judgeMonitor()
	c.judgeMeter()
	c.judgeBox()
	c.judgePower(ctx, "supply")
	c.judgePower(ctx, "load")
	return &c.report
}

func wait(ctx context.Context, d drivers.Span) error {
	t := time.NewTimer(time.Duration(d) * time.Microsecond)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (c *checker) call(ctx context.Context, f func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, c.o.Call)
	defer cancel()
	return f(ctx)
}

// roles lists the instruments in the order in which people connect them.
func (c *checker) roles() []role {
	b, s := c.bench, c.set
	list := []role{
		{name: "monitor", wire: b.Monitor.Wire, span: fmt.Sprintf("%d cells, %d temperatures, %v, every %v", b.Monitor.Cells, b.Monitor.Temps, b.Monitor.CurrentRange, b.Monitor.Period)},
		{name: "meter", wire: b.Meter.Wire, span: "steps of " + b.Meter.VoltageStep.String()},
		{name: "box", wire: b.Box.Wire, span: fmt.Sprintf("opens %v freely, breaks %v", b.Box.OpeningCurrent, b.Box.BreakingCurrent)},
		{name: "supply", wire: b.Supply.Wire, span: powerRange(&b.Supply)},
		{name: "load", wire: b.Load.Wire, span: powerRange(&b.Load)},
	}
	for i, d := range []any{s.Monitor, s.Meter, s.Box, s.Supply, s.Load} {
		if id, ok := d.(identifier); ok && d != nil {
			list[i].device = id
		}
	}
	return list
}

type role struct {
	name, span string
	wire       drivers.Wire
	device     identifier // nil: not there
}

type identifier interface {
	Identify(context.Context) (drivers.Identity, error)
}

func (c *checker) identify(ctx context.Context) {
	for _, r := range c.roles() {
		in := Instrument{Role: r.name, Driver: r.wire.Driver, Address: r.wire.Address, Range: r.span, Named: r.wire.Expect != drivers.Identity{}}
		switch err := c.o.Missing[r.name]; {
		case err != nil:
			c.wrong(r.name, err.Error(), "see that it is on, connected and named right in the bench file")
		case r.device == nil:
			c.wrong(r.name, "there is no driver for it", "name one in the bench file")
		default:
			c.ask(ctx, r, &in)
		}
		c.report.Instruments = append(c.report.Instruments, in)
	}
}

// ask asks one instrument who it is and what its driver has to say.
func (c *checker) ask(ctx context.Context, r role, in *Instrument) {
	err := c.call(ctx, func(ctx context.Context) (err error) {
		in.Identity, err = r.device.Identify(ctx)
		return err
	})
	if err == nil {
		err = r.wire.Expect.Check(in.Identity)
	}
	switch {
	case errors.Is(err, drivers.ErrIdentity):
		in.Answers, in.Another = true, true
		c.wrong(r.name, err.Error(), "connect the right instrument, or put its identity right in the bench file and prove the bench anew")
		return
	case err != nil:
		c.wrong(r.name, err.Error(), "see that it is on, connected and named right in the bench file")
		return
	}
	in.Answers, c.trusted[r.name] = true, true
	if !in.Named && r.wire.Driver != "virtual" {
		c.advise(r.name, "the bench file does not say who must answer here",
			fmt.Sprintf("identity: {maker: %q, model: %q, serial: %q}", in.Identity.Maker, in.Identity.Model, in.Identity.Serial))
	}
	if p, ok := r.device.(Prober); ok {
		notes, err := probe(ctx, c, p)
		in.Notes = notes
		if err != nil {
			c.wrong(r.name, err.Error(), "clear it at the instrument, or put right the file that says how it speaks")
		}
	}
}

func probe(ctx context.Context, c *checker, p Prober) (notes []string, err error) {
	err = c.call(ctx, func(ctx context.Context) (err error) {
		notes, err = p.Probe(ctx)
		return err
	})
	return notes, err
}

func (c *checker) instrument(name string) *Instrument {
	for i := range c.report.Instruments {
		if c.report.Instruments[i].Role == name {
			return &c.report.Instruments[i]
		}
	}
	return nil
}

func powerRange(p *drivers.PowerSpec) string {
	return fmt.Sprintf("up to %v, %v, %d W", p.VoltageMax, p.CurrentMax, p.PowerMaxMW/1000)
}
