package canbus

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Options says where a monitor answers and how it speaks.
type Options struct {
	// Address is can:INTERFACE (SocketCAN), unix:PATH or tcp:HOST:PORT (struct
	// can_frame records), or log:FILE (a candump log, played at its own pace).
	Address string
	Map     *Map
	// Expect is what the monitor must say of itself; parts left empty are not
	// compared. While anything is expected and the monitor has not said who it
	// is, or another answers, readings are refused.
	Expect drivers.Identity
	// Now is the clock for ages and timeouts; nil: the real one.
	Now func() drivers.Instant
	// Notice is told what a person should know and no reading shows: impossible
	// values with their raw numbers, error frames, connections lost and made.
	// Nil: nobody. It is called from more than one goroutine and must not call
	// the monitor.
	Notice func(text string)

	seen func() // for tests: a frame was dealt with
}

// Monitor is a cell monitor on a CAN bus. All methods are for any goroutine.
type Monitor struct {
	o       Options
	spec    drivers.MonitorSpec
	address address
	cancel  context.CancelFunc
	working sync.WaitGroup

	mu      sync.Mutex
	d       *decoder
	carrier carrier // nil: not connected
	trouble error   // why not
	changed chan struct{}
	swept   chan struct{} // holds one item once a new sweep is complete
	waiting int
	read    bool // readers had a reading before

	// What is wanted of the bleed resistors.
	bleeder *bleeder
	want    []int32
	wanted  bool            // some cells are to bleed
	until   drivers.Instant // then no more
	again   drivers.Instant // then the command is repeated
	turn    uint64          // counts commands
	owed    bool            // a command that ends bleeding did not go out, or to nobody
	tried   bool            // it went out on this connection, to nobody
	askAt   drivers.Instant // then identity may be asked for again
	asking  bool            // it is to be asked for now

	sending chan struct{} // holds one item while somebody sends
	hurried atomic.Bool   // that somebody is Halt
	kick    chan struct{}
	blamed  drivers.Instant // before then nobody is told again that a repeated command failed
}

var _ drivers.Monitor = (*Monitor)(nil)

// New begins to listen. It sends nothing by itself but, where Expect asks for
// it and the map names one, an identity request. It returns the problems of
// Check as an error; a bus that cannot be reached is tried again and again and
// shows in Read.
func New(o Options, spec drivers.MonitorSpec) (*Monitor, error) {
	a, err := parseAddress(o.Address)
	if err != nil {
		return nil, fmt.Errorf("canbus: %w", err)
	}
	if o.Map == nil {
		return nil, errors.New("canbus: there is no signal map")
	}
	d, err := compile(o.Map, spec)
	if err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = clock()
	}
	if o.Notice == nil {
		o.Notice = func(string) {}
	}
	m := &Monitor{
		o: o, spec: spec, address: a, d: d, changed: make(chan struct{}), swept: make(chan struct{}, 1),
		want: make([]int32, (spec.Cells+15)/16), sending: make(chan struct{}, 1), kick: make(chan struct{}, 1),
	}
	m.bleeder = newBleeder(o.Map, &m.spec)
	ctx, cancel := context.WithCancel(context.Background())
	m.cancel = cancel
	m.working.Go(func() { m.link(ctx) })
	m.working.Go(func() { m.serve(ctx) })
	return m, nil
}

// clock returns a clock that a stepped wall clock never moves.
func clock() func() drivers.Instant {
	start := time.Now()
	return func() drivers.Instant {
		return drivers.Instant(start.UnixMicro() + time.Since(start).Microseconds())
	}
}

// Close ends bleeding, as far as the bus takes the command, and then listening
// and sending.
func (m *Monitor) Close() error {
	m.mu.Lock()
	bleeding := (m.wanted || m.owed) && m.carrier != nil
	m.mu.Unlock()
	var err error
	if bleeding {
		ctx, cancel := context.WithTimeout(context.Background(), sendTime)
		err = m.stop(ctx)
		cancel()
	}
	m.cancel()
	m.mu.Lock()
	if m.carrier != nil {
		_ = m.carrier.Close()
	}
	m.mu.Unlock()
	m.working.Wait()
	return err
}

// Swept receives when a new sweep is complete, so that whoever reads the other
// instruments beside the monitor can do so while it is new: over a bus nobody
// else knows when that is.
func (m *Monitor) Swept() <-chan struct{} { return m.swept }

// Counts returns what was seen on the bus so far.
func (m *Monitor) Counts() Counts {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.d.counts
}

// failed makes an error of a call: which monitor, which exchange, of what kind,
// and what it was.
func (m *Monitor) failed(call string, kind, err error) error {
	if errors.Is(err, kind) {
		return fmt.Errorf("canbus monitor at %s: %s: %w", m.o.Address, call, err)
	}
	return fmt.Errorf("canbus monitor at %s: %s: %w: %w", m.o.Address, call, kind, err)
}

// Read fills r with the latest complete sweep. Channels whose frames are too
// old, impossible or missing read NoReading while others are fresh. Before the
// first sweep it waits; later, silence is ErrNoAnswer at once.
func (m *Monitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	if err := ctx.Err(); err != nil {
		return m.failed("read", drivers.ErrNoAnswer, err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	for {
		now := m.o.Now()
		m.nudge(now)
		kind, err := m.readable(now)
		if err == nil {
			m.read = true
			m.d.read(now, r)
			return nil
		}
		if m.read || errors.Is(kind, drivers.ErrIdentity) || m.wait(ctx) != nil {
			return m.failed("read", kind, err)
		}
	}
}

// readable says why there is no reading. The caller holds mu.
func (m *Monitor) readable(now drivers.Instant) (kind, err error) {
	if err := m.silent(now); err != nil {
		return drivers.ErrNoAnswer, err
	}
	if m.d.beat == 0 {
		return drivers.ErrNoAnswer, fmt.Errorf("no complete sweep came yet; what never came: %s", m.d.never())
	}
	return m.recognised()
}

// silent says for how long nothing was heard, if that is too long. The caller
// holds mu.
func (m *Monitor) silent(now drivers.Instant) error {
	switch {
	case m.d.alive(now):
		return nil
	case m.carrier == nil && m.trouble != nil:
		return fmt.Errorf("not connected: %w", m.trouble)
	case m.carrier == nil:
		return errors.New("not connected yet")
	case !m.d.began:
		return fmt.Errorf("no frame of the signal map came yet (%d frames of others)", m.d.counts.Foreign)
	}
	return fmt.Errorf("nothing heard for %s", now.Sub(m.d.heard))
}

// recognised compares what the monitor says of itself with what is expected.
// The caller holds mu.
func (m *Monitor) recognised() (kind, err error) {
	if m.o.Expect == (drivers.Identity{}) {
		return nil, nil
	}
	id, complete, err := m.d.identity()
	if err == nil {
		if !complete {
			return drivers.ErrNoAnswer, errors.New("it has not said who it is")
		}
		err = m.o.Expect.Check(id)
	}
	return drivers.ErrIdentity, err
}

// Identify returns what the monitor says of itself. It waits for a monitor
// that has not said it yet, and asks where the map names a request.
func (m *Monitor) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := ctx.Err(); err != nil {
		return drivers.Identity{}, m.failed("identify", drivers.ErrNoAnswer, err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	for {
		err := m.silent(m.o.Now())
		id, complete, bad := m.d.identity()
		switch {
		case err != nil:
		case bad != nil:
			return id, m.failed("identify", drivers.ErrIdentity, bad)
		case complete:
			if err := m.o.Expect.Check(id); err != nil {
				return id, m.failed("identify", drivers.ErrIdentity, err)
			}
			return id, nil
		default:
			err = errors.New("it has not said who it is")
		}
		m.ask(m.o.Now())
		if m.wait(ctx) != nil {
			return drivers.Identity{}, m.failed("identify", drivers.ErrNoAnswer, err)
		}
	}
}

// wait waits, without mu, until anything changed. The caller holds mu.
func (m *Monitor) wait(ctx context.Context) error {
	changed := m.changed
	m.waiting++
	m.mu.Unlock()
	defer func() {
		m.mu.Lock()
		m.waiting--
	}()
	select {
	case <-changed:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// wake lets those that wait look again. The caller holds mu.
func (m *Monitor) wake() {
	if m.waiting > 0 {
		close(m.changed)
		m.changed = make(chan struct{})
	}
}
