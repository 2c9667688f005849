package modbus

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Thermometers is a cell monitor whose temperatures come, some or all, from a
// temperature module beside it. The module is read in a goroutine of its own, so
// that a slow one delays no cell's reading; a temperature older than its age is
// no reading (INV-02).
type Thermometers struct {
	drivers.Monitor
	points  source
	sensors []int
	temps   int
	step    drivers.Millikelvins
	maxAge  drivers.Span
	now     func() drivers.Instant

	end     context.CancelFunc
	ended   sync.WaitGroup
	mu      sync.Mutex
	latest  []int32 // in steps, NoReading where there is none
	at      drivers.Instant
	scratch []int32 // Read's alone
}

// source is where the module's values come from.
type source interface {
	Read(ctx context.Context) ([]Value, error)
}

// ThermometerOptions say which of a bench's temperatures a module reads.
type ThermometerOptions struct {
	// Sensors are the bench's temperatures, from 0, that the module's
	// "temperature 1", "temperature 2"... are.
	Sensors []int
	// Temps is how many temperatures the bench has in all; the others are the
	// monitor's own, in order.
	Temps int
	// Step is the bench's step of a temperature.
	Step drivers.Millikelvins
	// Period is the time between readings of the module, MaxAge how old one may
	// be.
	Period, MaxAge drivers.Span
	// Now is the clock for ages; nil: real time.
	Now func() drivers.Instant
}

// WithThermometers puts the module's temperatures into the monitor's readings.
// Close ends the reading of the module, not the monitor.
func WithThermometers(m drivers.Monitor, points source, o ThermometerOptions) (*Thermometers, error) {
	if o.Step <= 0 || o.Period <= 0 || o.MaxAge < o.Period || len(o.Sensors) == 0 || len(o.Sensors) > o.Temps {
		return nil, fmt.Errorf("thermometers: step %d mK, period %d us, age up to %d us, %d of %d sensors: positive values, an age not under the period, and no more sensors than the bench has would be right",
			o.Step, o.Period, o.MaxAge, len(o.Sensors), o.Temps)
	}
	for _, at := range o.Sensors {
		if at < 0 || at >= o.Temps {
			return nil, fmt.Errorf("thermometers: sensor %d of a bench with %d temperatures; they are counted from 0", at, o.Temps)
		}
	}
	if o.Now == nil {
		start := time.Now()
		o.Now = func() drivers.Instant { return drivers.Instant(time.Since(start).Microseconds()) }
	}
	t := &Thermometers{Monitor: m, points: points, sensors: o.Sensors, temps: o.Temps, step: o.Step, maxAge: o.MaxAge, now: o.Now,
		latest: make([]int32, len(o.Sensors))}
	t.forget()
	ctx, cancel := context.WithCancel(context.Background())
	t.end = cancel
	t.ended.Go(func() { t.follow(ctx, time.Duration(o.Period)*time.Microsecond) })
	return t, nil
}

// Swept is the monitor's own, nil where it does not tell.
func (t *Thermometers) Swept() <-chan struct{} {
	if m, ok := t.Monitor.(interface{ Swept() <-chan struct{} }); ok {
		return m.Swept()
	}
	return nil
}

// Close ends the reading of the module.
func (t *Thermometers) Close() error {
	t.end()
	t.ended.Wait()
	return nil
}

func (t *Thermometers) follow(ctx context.Context, period time.Duration) {
	tick := time.NewTicker(period)
	defer tick.Stop()
	for {
		call, cancel := context.WithTimeout(ctx, period)
		values, err := t.points.Read(call)
		cancel()
		t.take(values, err)
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// take keeps one reading of the module. A failed one keeps the last, which then
// grows old.
func (t *Thermometers) take(values []Value, err error) {
	if err != nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.forget()
	t.at = t.now()
	for i := range t.latest {
		name := fmt.Sprintf("temperature %d", i+1)
		for _, v := range values {
			if v.Name == name && v.Valid && v.Dimension == tree.DimTemperature {
				t.latest[i] = drivers.Scale{Num: int64(t.step), Den: 1}.Nearest(v.Amount)
			}
		}
	}
}

func (t *Thermometers) forget() {
	for i := range t.latest {
		t.latest[i] = drivers.NoReading
	}
}

// Read reads the monitor and puts the module's temperatures in their places.
func (t *Thermometers) Read(ctx context.Context, r *drivers.MonitorReading) error {
	if err := t.Monitor.Read(ctx, r); err != nil {
		return err
	}
	own := r.Temps
	if len(own) != t.temps-len(t.sensors) {
		return fmt.Errorf("thermometers: the monitor has %d temperatures; %d of the bench's %d would be its own", len(own), t.temps-len(t.sensors), t.temps)
	}
	t.scratch = append(t.scratch[:0], own...)
	r.Temps = r.Temps[:0]
	t.mu.Lock()
	defer t.mu.Unlock()
	old := t.now().Sub(t.at) > t.maxAge
	next := 0
	for i := range t.temps {
		if at := slices.Index(t.sensors, i); at >= 0 {
			value := t.latest[at]
			if old {
				value = drivers.NoReading
			}
			r.Temps = append(r.Temps, value)
			continue
		}
		r.Temps = append(r.Temps, t.scratch[next])
		next++
	}
	return nil
}
