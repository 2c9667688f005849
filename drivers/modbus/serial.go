package modbus

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"go.bug.st/serial"

	"github.com/rigwarden/rigwarden/drivers"
)

// bus is a serial line. The devices on it share it: one exchange at a time, and
// a halt before all others.
type bus struct {
	path string
	mode serialMode
	// answers is the longest time that any device on the line takes to begin its
	// reply, in nanoseconds.
	answers atomic.Int64

	turn    chan struct{} // whoever holds it has the line
	halting atomic.Int32  // halts that wait for their turn
	mu      sync.Mutex
	cut     chan struct{} // closed to cut the running exchange short

	// What follows belongs to the holder of turn.
	port     *port
	found    atomic.Uint64 // how often the port was found anew
	lost     bool          // it was not there when last looked for
	settle   time.Time     // an unanswered request may be answered until then
	due      bool          // and has not been since
	asked    uint8         // by this unit; 0: by more than one
	retryAt  time.Time
	pause    time.Duration
	failure  error
	activity time.Time // of the latest byte, either way
}

// port is an open serial port and what it received.
type port struct {
	serial.Port
	bytes chan []byte
	fail  error // why bytes was closed; read it only then
	done  chan struct{}
}

// buses are the serial lines in use, by path: two devices on one line must not
// open it twice, or each would take the other's replies.
var buses = struct {
	sync.Mutex
	open map[string]*bus
	uses map[string]int
}{open: map[string]*bus{}, uses: map[string]int{}}

// busLine is one device's share in a bus.
type busLine struct {
	*bus
	once sync.Once
}

func openBus(path string, mode serialMode, answers time.Duration) (line, error) {
	buses.Lock()
	defer buses.Unlock()
	b := buses.open[path]
	if b == nil {
		b = &bus{path: path, mode: mode, turn: make(chan struct{}, 1), lost: true}
		buses.open[path] = b
	}
	if b.mode != mode {
		return nil, fmt.Errorf("modbus rtu:%s: one device wants %d Bd, parity %s, stop %d, another %d Bd, parity %s, stop %d; all on one line must agree",
			path, mode.baud, mode.parity, mode.stop, b.mode.baud, b.mode.parity, b.mode.stop)
	}
	if int64(answers) > b.answers.Load() {
		b.answers.Store(int64(answers))
	}
	buses.uses[path]++
	return &busLine{bus: b}, nil
}

func (l *busLine) close() error {
	l.once.Do(func() {
		buses.Lock()
		defer buses.Unlock()
		if buses.uses[l.path]--; buses.uses[l.path] > 0 {
			return
		}
		delete(buses.uses, l.path)
		delete(buses.open, l.path)
		l.interrupt()
		l.turn <- struct{}{}
		l.shut()
		<-l.turn
	})
	return nil
}

// interrupt cuts the running exchange short.
func (b *bus) interrupt() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.cut != nil {
		close(b.cut)
		b.cut = nil
	}
}

// begin makes the exchange that holds the turn one that can be cut.
func (b *bus) begin() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = make(chan struct{})
	return b.cut
}

func (b *bus) end() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = nil
}

func (b *bus) connect(ctx context.Context) (uint64, error) {
	if err := take(ctx, b.turn, "the serial line"); err != nil {
		return 0, err
	}
	defer func() { <-b.turn }()
	if err := b.ready(false); err != nil {
		return 0, err
	}
	return b.found.Load(), nil
}

// exchange carries out one request after the other. After an unanswered one the
// port is closed and nothing is asked for as long as the answer may still come:
// it would be taken for the answer to the next question.
func (b *bus) exchange(ctx context.Context, epoch uint64, unit uint8, list []request) ([]reply, error) {
	replies := make([]reply, 0, len(list))
	for {
		more, err := b.series(ctx, epoch, unit, list[len(replies):])
		replies = append(replies, more...)
		// What a halt cut short is asked anew, unless it may not be said any more.
		if err != errOvertaken || list[len(replies)].valid != nil {
			return replies, err
		}
	}
}

func (b *bus) aside(ctx context.Context, unit uint8, list []request) ([]reply, error) {
	select {
	case b.turn <- struct{}{}:
		<-b.turn // whoever takes it now is waited for no longer than ctx
		return b.series(ctx, b.found.Load(), unit, list)
	default:
		return nil, errBusy
	}
}

// series carries requests out until one fails or a halt cuts in.
func (b *bus) series(ctx context.Context, epoch uint64, unit uint8, list []request) ([]reply, error) {
	if err := take(ctx, b.turn, "the serial line"); err != nil {
		return nil, err
	}
	defer func() { <-b.turn }()
	cut := b.begin()
	defer b.end()
	var replies []reply
	for i := range list {
		if err := b.clear(ctx); err != nil {
			return replies, err
		}
		if list[i].valid != nil && !list[i].valid() {
			return replies, errOvertaken
		}
		if err := b.ready(false); err != nil {
			return replies, err
		}
		if b.found.Load() != epoch {
			return replies, fmt.Errorf("the serial port was lost: %w", drivers.ErrNoAnswer)
		}
		r, err := b.trip(ctx, cut, unit, &list[i])
		if err != nil {
			return replies, err
		}
		replies = append(replies, r)
	}
	return replies, nil
}

// clear lets a halt that waits for the line go first.
func (b *bus) clear(ctx context.Context) error {
	if b.halting.Load() == 0 {
		return nil
	}
	if ctx.Err() != nil {
		return late(ctx, "waiting for a halt")
	}
	return errOvertaken
}

// trip is one request and its reply.
func (b *bus) trip(ctx context.Context, cut <-chan struct{}, unit uint8, r *request) (reply, error) {
	if err := b.pausing(ctx, cut, max(time.Until(b.settle), time.Until(b.activity.Add(b.mode.silence())))); err != nil {
		return reply{}, err
	}
	if n, err := b.drain(); err != nil {
		return reply{}, err
	} else if n >= shortest && !b.due {
		return reply{}, b.broken(fmt.Errorf("%w: %d bytes came that nobody asked for; the line is out of step", errReply, n))
	}
	b.due, b.asked = false, unit
	if err := b.write(serialFrame(unit, r.pdu())); err != nil {
		return reply{}, err
	}
	frame, err := b.frame(ctx, cut, r.function)
	if err != nil {
		return reply{}, err
	}
	pdu, err := parseSerial(unit, frame)
	if err != nil {
		return reply{}, b.broken(err)
	}
	out, err := r.parse(pdu)
	if err != nil {
		return reply{}, b.broken(err)
	}
	return out, nil
}

// shortest is the length of the shortest frame; fewer stray bytes are what a
// line makes when its drivers are switched.
const shortest = 5

// pausing waits on the line's behalf.
func (b *bus) pausing(ctx context.Context, cut <-chan struct{}, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-cut:
		return errOvertaken
	case <-ctx.Done():
		return late(ctx, "waiting for the line to be quiet")
	}
}

// drain throws away what was received and says how much it was.
func (b *bus) drain() (n int, err error) {
	for {
		select {
		case c, ok := <-b.port.bytes:
			if !ok {
				return n, b.gone(b.port.fail)
			}
			n += len(c)
			b.activity = time.Now()
		default:
			return n, nil
		}
	}
}

// writeLimit bounds a write: the buffer takes a frame at once, and the line only
// then takes its time. An adapter that is stuck must not hold halts up.
const writeLimit = 100 * time.Millisecond

func (b *bus) write(frame []byte) error {
	port, done := b.port, make(chan error, 1)
	go func() {
		_, err := port.Write(frame)
		done <- err
	}()
	t := time.NewTimer(writeLimit)
	defer t.Stop()
	select {
	case err := <-done:
		if err != nil {
			return b.gone(err)
		}
	case <-t.C:
		return b.gone(fmt.Errorf("nothing was taken within %v", writeLimit))
	}
	now := time.Now()
	b.activity = now.Add(time.Duration(len(frame)) * b.mode.character())
	return nil
}

// frame collects one reply.
func (b *bus) frame(ctx context.Context, cut <-chan struct{}, function byte) ([]byte, error) {
	var got []byte
	for {
		size, err := serialSize(function, got)
		switch {
		case err != nil:
			return nil, b.broken(err)
		case size > 0 && len(got) == size:
			return got, nil
		case size > 0 && len(got) > size:
			return nil, b.broken(fmt.Errorf("%w: %d bytes came, %d belong to it", errReply, len(got), size))
		}
		select {
		case c, ok := <-b.port.bytes:
			if !ok {
				return nil, b.gone(b.port.fail)
			}
			got = append(got, c...)
			b.activity = time.Now()
		case <-cut:
			// The port stays open, the halt needs it now.
			b.settle, b.due = time.Now().Add(b.worst()), true
			return nil, errOvertaken
		case <-ctx.Done():
			return nil, b.broken(late(ctx, fmt.Sprintf("waiting for the reply, %d bytes of it came", len(got))))
		}
	}
}

// broken ends an exchange whose request was sent and not rightly answered.
func (b *bus) broken(err error) error {
	b.shut()
	b.settle, b.due = time.Now().Add(b.worst()), true
	return err
}

// worst is how long an answer can be due.
func (b *bus) worst() time.Duration {
	return time.Duration(b.answers.Load()) + maxSerial*b.mode.character()
}
