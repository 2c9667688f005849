package notice

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/cenkalti/backoff/v5"
)

// Notice is one message. Its JSON is what receivers get: keys may be added,
// never renamed.
type Notice struct {
	What   What      `json:"what"`
	Bench  string    `json:"bench"`
	Run    string    `json:"run,omitempty"`
	Module string    `json:"module,omitempty"`
	Text   string    `json:"text"`
	At     time.Time `json:"at"`
	// Outcome is how the run ended, in a notice of its end.
	Outcome string `json:"outcome,omitempty"`
	// Lost counts notices before this one that this receiver never got.
	Lost int `json:"lost,omitempty"`
	// Caution stands in every notice.
	Caution string `json:"caution"`
}

// Caution is what nobody who reads a notice may forget.
const Caution = "A tripped module is still charged and live. rigwarden is no emergency stop."

// Options of a Post. The zero value sends by HTTP and starts programs.
type Options struct {
	// Send makes one try; it must end when its context does. An error that is
	// ErrRefused is final.
	Send func(context.Context, Receiver, []byte) error
	// Failed is told of each notice that is given up, and why; and of each
	// receiver's first failure in a row.
	Failed func(Receiver, Notice, error)
	// Keep is how long a notice is tried: 0 for a day.
	Keep time.Duration
}

// ErrRefused marks a receiver's answer that no further try would change.
var ErrRefused = errors.New("refused by its receiver")

const (
	keep       = 24 * time.Hour
	firstPause = time.Second
	mostPause  = 5 * time.Minute
	// waitingMost is how many notices wait for one receiver: a bench that trips
	// over and over must not fill memory, and the newest say most.
	waitingMost = 64
	// again is how long the same alarm of the same bench is not told anew.
	again = 10 * time.Minute
)

// Post sends notices, each receiver's in order.
type Post struct {
	o      Options
	boxes  []*box
	ctx    context.Context
	cancel context.CancelFunc
	done   sync.WaitGroup

	mu   sync.Mutex
	last map[said]time.Time // alarms of late
}

// said is an alarm that may come again and again while its cause lasts.
type said struct{ bench, text string }

// box is what waits for one receiver.
type box struct {
	Receiver
	mu      sync.Mutex
	waiting []Notice
	lost    int
	closed  bool
	more    chan struct{}
}

// NewPost starts sending to the receivers. Close ends it.
func NewPost(list []Receiver, o Options) *Post {
	if o.Send == nil {
		o.Send = send
	}
	if o.Failed == nil {
		o.Failed = func(Receiver, Notice, error) {}
	}
	if o.Keep == 0 {
		o.Keep = keep
	}
	p := &Post{o: o, last: map[said]time.Time{}}
	p.ctx, p.cancel = context.WithCancel(context.Background())
	for _, r := range list {
		b := &box{Receiver: r, more: make(chan struct{}, 1)}
		p.boxes = append(p.boxes, b)
		p.done.Go(func() { p.serve(b) })
	}
	return p
}

// Tell hands a notice to everyone who wants to know of such. It never waits.
func (p *Post) Tell(n Notice) {
	if n.What == Alarm && p.repeats(n) {
		return
	}
	n.Caution = Caution
	for _, b := range p.boxes {
		if slices.Contains(b.On, n.What) {
			b.put(n)
		}
	}
}

// repeats says that this alarm was told a short while ago.
func (p *Post) repeats(n Notice) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	now, key := time.Now(), said{n.Bench, n.Text}
	maps.DeleteFunc(p.last, func(_ said, at time.Time) bool { return now.Sub(at) >= again })
	if _, told := p.last[key]; told {
		return true
	}
	p.last[key] = now
	return false
}

func (b *box) put(n Notice) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return
	}
	if len(b.waiting) == waitingMost {
		at := slices.IndexFunc(b.waiting, func(n Notice) bool { return n.What != Trip })
		at = max(at, 0) // all trips: the oldest goes
		b.waiting = slices.Delete(b.waiting, at, at+1)
		b.lost++
	}
	b.waiting = append(b.waiting, n)
	select {
	case b.more <- struct{}{}:
	default:
	}
}

// take returns the oldest notice that waits, and whether more can come.
func (b *box) take() (n Notice, found, open bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.waiting) == 0 {
		return Notice{}, false, !b.closed
	}
	n = b.waiting[0]
	b.waiting = slices.Delete(b.waiting, 0, 1)
	n.Lost = b.lost
	return n, true, true
}

// sent settles what a notice told of losses; gone adds one.
func (b *box) sent(n Notice, gone bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if gone {
		b.lost++
	} else {
		b.lost -= n.Lost
	}
}

func (p *Post) serve(b *box) {
	for {
		n, found, open := b.take()
		switch {
		case found:
			p.deliver(b, n)
			continue
		case !open:
			return
		}
		select {
		case <-b.more:
		case <-p.ctx.Done():
			return
		}
	}
}

// deliver tries until the receiver has the notice, refuses it, or it is too old.
func (p *Post) deliver(b *box, n Notice) {
	body, err := json.Marshal(n)
	if err != nil {
		p.o.Failed(b.Receiver, n, err)
		return
	}
	pause := backoff.NewExponentialBackOff()
	pause.InitialInterval, pause.MaxInterval = firstPause, mostPause
	told := false
	_, err = backoff.Retry(p.ctx, func() (struct{}, error) {
		ctx, cancel := context.WithTimeout(p.ctx, b.Timeout)
		defer cancel()
		err := p.o.Send(ctx, b.Receiver, body)
		if errors.Is(err, ErrRefused) {
			return struct{}{}, backoff.Permanent(err)
		}
		if err != nil && !told {
			told = true
			p.o.Failed(b.Receiver, n, fmt.Errorf("%w; it is tried again", err))
		}
		return struct{}{}, err
	}, backoff.WithBackOff(pause), backoff.WithMaxElapsedTime(p.o.Keep))
	b.sent(n, err != nil)
	if err != nil {
		p.o.Failed(b.Receiver, n, fmt.Errorf("given up: %w", err))
	}
}

// Close lets what waits go out, for as long as ctx allows, and ends the sending.
func (p *Post) Close(ctx context.Context) {
	for _, b := range p.boxes {
		b.mu.Lock()
		b.closed = true
		b.mu.Unlock()
		select {
		case b.more <- struct{}{}:
		default:
		}
	}
	stop := context.AfterFunc(ctx, p.cancel)
	defer stop()
	p.done.Wait()
	p.cancel()
}
