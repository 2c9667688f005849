package readiness

import (
	"context"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

type boxLook struct {
	look
	reading drivers.BoxReading
}

type monitorLook struct {
	look
	reading drivers.MonitorReading
	// silent are the channels that gave no reading in any look.
	cells, temps []bool
	current      bool
}

// watch reads every instrument once a period for a while.
func (c *checker) watch(ctx context.Context) {
	m := &c.bench.Monitor
	c.monitor.cells, c.monitor.temps = make([]bool, m.Cells), make([]bool, m.Temps)
	for range watchPeriods {
		if err := c.o.Wait(ctx, m.Period); err != nil {
			return
		}
		c.report.Watched += m.Period
		c.readMonitor(ctx)
		if c.trusted["meter"] {
			c.meter.take(m.Period, c.call(ctx, func(ctx context.Context) (err error) {
				c.meter.reading, err = c.set.Meter.Read(ctx)
				return err
			}), &c.meter.reading.Beat)
		}
		if c.trusted["box"] {
			c.box.take(m.Period, c.call(ctx, func(ctx context.Context) (err error) {
				c.box.reading, err = c.set.Box.Read(ctx)
				return err
			}), &c.box.reading.Beat)
		}
		c.readPower(ctx, "supply", c.set.Supply, &c.supply)
		c.readPower(ctx, "load", c.set.Load, &c.load)
	}
}

// take notes the outcome of one reading.
func (l *look) take(period drivers.Span, err error, beat *int32) {
	l.err = err
	l.age += period
	if err != nil {
		return
	}
	if l.ever && *beat != l.last {
		l.fresh++
		l.age = 0
	}
	l.last, l.ever = *beat, true
}

func (c *checker) readPower(ctx context.Context, name string, p drivers.Power, l *look) {
	if !c.trusted[name] {
		return
	}
	l.take(c.bench.Monitor.Period, c.call(ctx, func(ctx context.Context) (err error) {
		l.reading, err = p.Read(ctx)
		return err
	}), &l.reading.Beat)
}

func (c *checker) readMonitor(ctx context.Context) {
	if !c.trusted["monitor"] {
		return
	}
	l := &c.monitor
	l.take(c.bench.Monitor.Period, c.call(ctx, func(ctx context.Context) error { return c.set.Monitor.Read(ctx, &l.reading) }), &l.reading.Beat)
	if l.err != nil {
		return
	}
	for i, v := range l.reading.Cells[:min(len(l.reading.Cells), len(l.cells))] {
		l.cells[i] = l.cells[i] || v != drivers.NoReading
	}
	for i, v := range l.reading.Temps[:min(len(l.reading.Temps), len(l.temps))] {
		l.temps[i] = l.temps[i] || v != drivers.NoReading
	}
	l.current = l.current || l.reading.Current != drivers.NoReading
}

// silent lists, from one, the channels that never gave a reading.
func silent(heard []bool) []int {
	var out []int
	for i, h := range heard {
		if !h {
			out = append(out, i+1)
		}
	}
	return slices.Clip(out)
}
