package scpi

import (
	"context"
	"fmt"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Power is a supply or an electronic load. Its methods may be called from any
// goroutine; one exchange is on the wire at a time, and Halt waits for none.
//
// A Set waits for the exchange before it and is dropped (ErrRefused) if a newer
// Set or a Halt comes before it was sent. It is answered only once the
// instrument took it without an error.
type Power struct {
	s    *session
	d    *Dialect
	spec drivers.PowerSpec

	// halts and sets count calls: what was begun under an older number is not
	// sent any more.
	halts, sets atomic.Uint64

	mu sync.Mutex
	// armed says that the instrument guards limits; void why it no longer does.
	armed  bool
	void   string
	limits drivers.Protection // as read back at the latest arming
	// latched flags stay until the next arming.
	latched flags
	// known is the setpoint in force; nil where a half-sent one may be.
	known *drivers.Setpoint
	// on is what was commanded last, if anything was told, and since when.
	on    bool
	told  bool
	since drivers.Instant
	beat  int32
	// waiting are the entries that a connection found in the error queue.
	waiting []Entry
}

var _ drivers.Power = (*Power)(nil)

// NewPower checks o and connects to nothing: that happens at the first call.
// Nothing is switched on before Arm and Set.
func NewPower(o Options, spec drivers.PowerSpec) (*Power, error) {
	if o.Role != roleSupply && o.Role != roleLoad {
		return nil, fmt.Errorf("scpi: role %q is neither supply nor load", o.Role)
	}
	if spec.VoltageStep <= 0 || spec.CurrentStep <= 0 || spec.VoltageMax <= 0 || spec.CurrentMax <= 0 {
		return nil, fmt.Errorf("scpi: %s: ranges and steps must be positive: %+v", o.Role, spec)
	}
	p := &Power{d: o.Dialect, spec: spec}
	s, err := newSession(o, p.greet, p.seen)
	if err != nil {
		return nil, err
	}
	p.s = s
	return p, nil
}

// Close ends the connection. An output that this driver switched on is switched
// off first: nobody could halt it later.
func (p *Power) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	p.mu.Lock()
	on := p.on
	p.mu.Unlock()
	var err error
	if on {
		err = p.Halt(ctx)
	}
	p.s.farewell(ctx)
	p.s.close()
	return err
}

// Identify asks the instrument who it is.
func (p *Power) Identify(ctx context.Context) (id drivers.Identity, err error) {
	err = p.s.do(ctx, false, nil, func(t *talk) (err error) {
		if id, err = t.identity(); err != nil {
			return err
		}
		return t.sure()
	})
	return id, err
}

// Read measures voltage and current and asks for the state. Beat counts the
// times that both were measured.
func (p *Power) Read(ctx context.Context) (drivers.Reading, error) {
	var r drivers.Reading
	err := p.s.do(ctx, false, nil, func(t *talk) (err error) {
		r, err = p.read(t)
		return err
	})
	if err != nil {
		return drivers.Reading{}, err
	}
	return r, nil
}

func (p *Power) read(t *talk) (r drivers.Reading, err error) {
	if r.Voltage, err = t.measure(p.d.readVoltage, int64(p.spec.VoltageStep)); err != nil {
		return r, err
	}
	if r.Current, err = t.measure(p.d.readCurrent, int64(p.spec.CurrentStep)); err != nil {
		return r, err
	}
	f, err := t.states(math.MaxUint8)
	if err != nil {
		return r, err
	}
	if err := t.sure(); err != nil {
		return r, err
	}
	t.renew(f)
	p.mu.Lock()
	defer p.mu.Unlock()
	f |= p.latched
	if r.Voltage != drivers.NoReading && r.Current != drivers.NoReading {
		p.beat = tally(p.beat)
	}
	r.Beat, r.State = p.beat, bitsOf(f)
	return r, nil
}

// tally counts and wraps at MaxInt32 to 0.
func tally(beat int32) int32 {
	if beat == math.MaxInt32 {
		return 0
	}
	return beat + 1
}

// seen takes in what the instrument says of itself.
func (p *Power) seen(f flags) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.latched |= f & (flagTripped | flagTimeout)
	switch {
	case f&flagRestarted != 0:
		p.restarted()
	case f&flagTripped != 0:
		p.disarm("one of its own limits has tripped")
	case f&flagTimeout != 0:
		p.disarm("its silence limit ran out")
	}
}

// renew gives up the connection to an instrument that restarted: it has
// forgotten what each connection begins with.
func (t *talk) renew(f flags) {
	if f&flagRestarted != 0 {
		t.l.fail(fmt.Errorf("%w: the instrument restarted", drivers.ErrNoAnswer))
	}
}

// restarted: an armed instrument that lost its mains has a fault until it is
// armed again; the caller holds mu.
func (p *Power) restarted() {
	if p.armed || p.on {
		p.latched |= flagFault
	}
	p.known = nil
	p.disarm("it restarted and has forgotten its limits")
}

// disarm keeps the first reason; the caller holds mu.
func (p *Power) disarm(why string) {
	if p.armed {
		p.void = why
	}
	p.armed = false
}

// greet begins each connection: what waits in the error queue is kept for
// whoever asks, and an armed instrument must still have its limits.
func (p *Power) greet(t *talk) error {
	found, err := t.old()
	p.mu.Lock()
	p.waiting = latest(p.waiting, found)
	armed, limits := p.armed, p.limits
	p.known = nil
	p.mu.Unlock()
	if err != nil {
		return err
	}
	if err := t.connected(); err != nil {
		return err
	}
	f, err := t.states(math.MaxUint8)
	if err != nil {
		return err
	}
	var got drivers.Protection
	if armed && f&flagRestarted == 0 {
		if got, err = p.ownLimits(t); err != nil {
			return err
		}
	}
	if err := t.sure(); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.armed && got != limits {
		p.latched |= flagFault
		p.disarm(fmt.Sprintf("on a new connection its limits are %+v; armed were %+v", got, limits))
	}
	return nil
}

// latest keeps what nobody asked for yet, in bounds.
func latest(had, more []Entry) []Entry {
	had = append(had, more...)
	return had[max(0, len(had)-100):]
}

// ownLimits asks for the limits that the instrument guards; 0 where there is
// none. A silence limit that was not armed is not asked for.
func (p *Power) ownLimits(t *talk) (got drivers.Protection, err error) {
	for _, x := range p.guards(drivers.Protection{}) {
		if x.limit == nil {
			continue
		}
		v, err := t.quantity(x.limit.ask, x.limit.number)
		if err != nil {
			return got, err
		}
		x.put(&got, v)
	}
	return got, nil
}
