package scpi

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Meter is a voltmeter. Its methods may be called from any goroutine.
type Meter struct {
	s    *session
	d    *Dialect
	spec drivers.MeterSpec

	mu      sync.Mutex
	beat    int32
	waiting []Entry
	// restarted: it must be set up again before what it measures is used.
	restarted bool
}

var _ drivers.Meter = (*Meter)(nil)

// NewMeter checks o and connects to nothing: that happens at the first call.
func NewMeter(o Options, spec drivers.MeterSpec) (*Meter, error) {
	if o.Role != roleMeter {
		return nil, fmt.Errorf("scpi: role %q is not meter", o.Role)
	}
	if spec.VoltageStep <= 0 {
		return nil, fmt.Errorf("scpi: meter: its step must be positive: %+v", spec)
	}
	m := &Meter{d: o.Dialect, spec: spec}
	s, err := newSession(o, m.greet, m.seen)
	if err != nil {
		return nil, err
	}
	m.s = s
	return m, nil
}

// Close ends the connection.
func (m *Meter) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	m.s.farewell(ctx)
	m.s.close()
	return nil
}

// seen takes in what the meter says of itself.
func (m *Meter) seen(f flags) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.restarted = m.restarted || f&flagRestarted != 0
}

// greet begins each connection.
func (m *Meter) greet(t *talk) error {
	found, err := t.old()
	m.mu.Lock()
	m.waiting = latest(m.waiting, found)
	m.mu.Unlock()
	if err != nil {
		return err
	}
	if err := t.connected(); err != nil {
		return err
	}
	if _, err := t.states(math.MaxUint8); err != nil { // clears what a question clears
		return err
	}
	if err := t.sure(); err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.restarted = false
	return nil
}

// Identify asks the meter who it is.
func (m *Meter) Identify(ctx context.Context) (id drivers.Identity, err error) {
	err = m.s.do(ctx, false, nil, func(t *talk) (err error) {
		if id, err = t.identity(); err != nil {
			return err
		}
		return t.sure()
	})
	return id, err
}

// Read measures. A meter that reports a fault, or that restarted and so forgot
// what its connection began with, gives an error and no reading.
func (m *Meter) Read(ctx context.Context) (drivers.Reading, error) {
	var r drivers.Reading
	err := m.s.do(ctx, false, nil, func(t *talk) (err error) {
		r, err = m.read(t)
		return err
	})
	if err != nil {
		return drivers.Reading{}, err
	}
	return r, nil
}

func (m *Meter) read(t *talk) (drivers.Reading, error) {
	r := drivers.Reading{Current: drivers.NoReading}
	var err error
	if r.Voltage, err = t.measure(m.d.readVoltage, int64(m.spec.VoltageStep)); err != nil {
		return r, err
	}
	f, err := t.states(math.MaxUint8)
	if err != nil {
		return r, err
	}
	if err := t.sure(); err != nil {
		return r, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	switch {
	case m.restarted:
		err := fmt.Errorf("%w: the meter restarted; what it measured before it was set up again is not used", drivers.ErrNoAnswer)
		t.l.fail(err)
		return r, err
	case f&flagFault != 0:
		return r, unusable("the meter reports a fault")
	}
	if r.Voltage != drivers.NoReading {
		m.beat = tally(m.beat)
	}
	r.Beat = m.beat
	return r, nil
}
