package bench

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Host is a bench's host process as the live executor sees it: the commands,
// the lease, and what comes back. *host.Client is one.
type Host interface {
	Commander
	Lessee
	Source
}

// Commander carries commands to devices; each call may block until ctx ends.
type Commander interface {
	Arm(ctx context.Context, epoch uint64, supply, load drivers.Protection, wire host.TripwireLimits) (s, l drivers.Protection, err error)
	Set(ctx context.Context, epoch uint64, charging bool, s drivers.Setpoint) error
	Switch(ctx context.Context, epoch uint64, closed drivers.Contactors) error
	Bleed(ctx context.Context, epoch uint64, words []int32) error
	Fast(ctx context.Context, on bool) error
}

// Lessee keeps the bench energised, or does not. Renew and Halt never block.
type Lessee interface {
	Renew(epoch, echo uint64, d drivers.Span) error
	Halt(epoch uint64) error
	// Halted returns once both instruments were told.
	Halted(ctx context.Context, epoch uint64) error
}

// Source is what comes from a host by itself.
type Source interface {
	Frames() <-chan *drivers.Frame
	Events() <-chan host.Event
	// Lost gives one error when the host is gone.
	Lost() <-chan error
	Close(ctx context.Context) error
}

// Times of a live bench, in real time.
const (
	commitEvery = 450 * time.Millisecond
	riskMax     = drivers.Second // the oldest frame that may be unstored (INV-14)
	turnMax     = 100 * time.Millisecond
	queueMax    = 1024
	reopenEvery = time.Second
	// silentLeases is after how many leases without a frame a host counts as
	// dead, though its process may live: its lease has long run out.
	silentLeases = 10
)

// Live runs a bench in real time over its host process.
type Live struct {
	core
	host  Host
	spec  drivers.Bench
	open  func(ctx context.Context) (Host, error)
	now   func() drivers.Instant
	frame drivers.Frame // the latest

	posted   chan machine.Event
	jobs     chan job // what safety waits for
	commits  chan job // routine commits, which may take their time
	lanes    map[lane]chan errand
	reopened chan Host
	teller   atomic.Pointer[Teller] // the host that can tell of itself
	lost     bool
	closed   bool // contactors were closed since the host last told of opening
	turned   drivers.Instant
	heard    drivers.Instant // when the latest frame came
	renewed  drivers.Instant
	asked    time.Time // when the routine commit was last asked for

	// quit ends when the bench shall close.
	quit   context.Context
	cancel context.CancelFunc
	work   sync.WaitGroup
}

// lane is a device's own queue, so that none waits for another.
type lane uint8

const (
	laneSupply lane = iota
	laneLoad
	laneBox
	laneMonitor
	laneArm
	lanePlanner
	lanes
)

// NewLive opens the bench's host and starts its loop. open starts a host that
// has driven every device safe (INV-06); it is called again when a host dies.
// now is the bench's clock, the same that the host's frames are mapped to.
func NewLive(ctx context.Context, spec drivers.Bench, o Options, now func() drivers.Instant, open func(ctx context.Context) (Host, error)) (*Live, error) {
	h, err := open(ctx)
	if err != nil {
		return nil, err
	}
	v := &Live{
		core: newCore(o, now),
		host: h, spec: spec, open: open, now: now,
		posted: make(chan machine.Event, queueMax), jobs: make(chan job, queueMax), commits: make(chan job),
		lanes: map[lane]chan errand{}, reopened: make(chan Host, 1),
	}
	v.tell(h)
	v.quit, v.cancel = context.WithCancel(context.Background())
	v.core.carry = v.carry
	v.core.keep = v.keep
	v.core.post = v.post
	for l := range lanes {
		v.lanes[l] = make(chan errand, queueMax)
	}
	v.work.Go(func() { v.store(v.jobs) })
	v.work.Go(func() { v.store(v.commits) })
	go v.loop()
	return v, nil
}

// Close stops a run under way, safe and recorded, then the host.
func (v *Live) Close() error {
	v.cancel()
	<-v.done
	v.hub.close()
	select {
	case h := <-v.reopened: // opened just now, and nobody's
		v.host = h
	default:
	}
	ctx, cancel := context.WithTimeout(context.Background(), leaveMax)
	defer cancel()
	return v.host.Close(ctx)
}

func (v *Live) loop() {
	defer close(v.done)
	for l := range lanes {
		v.work.Go(func() { v.drive(l) })
	}
	v.turned, v.heard = v.now(), v.now()
	v.handle(machine.Boot{At: v.turned, Latched: v.latched})
	timer := time.NewTimer(turnMax)
	defer timer.Stop()
	for v.quit.Err() == nil {
		v.turn(timer, v.quit.Done())
	}
	v.leave(timer)
	for l := range lanes {
		close(v.lanes[l])
	}
	close(v.jobs)
	close(v.commits)
	v.work.Wait()
	v.publishNow()
}

// turn waits for one thing and handles it.
func (v *Live) turn(timer *time.Timer, quit <-chan struct{}) {
	timer.Reset(v.patience())
	select {
	case f := <-v.host.Frames():
		v.jumped()
		v.framed(f)
	case e := <-v.posted:
		v.jumped()
		v.handle(e)
	case e := <-v.host.Events():
		v.jumped()
		v.hosted(e)
	case err := <-v.host.Lost():
		v.gone(err)
	case h := <-v.reopened:
		v.host, v.lost, v.heard = h, false, v.now()
		v.tell(h)
	case c := <-v.commands:
		v.jumped()
		c.reply <- c.fn()
	case <-timer.C:
		v.jumped()
	case <-quit:
		return
	}
	if d := v.m.Deadline(); d != 0 && d <= v.now() {
		v.handle(machine.Due{At: v.now()})
	}
	v.routine()
	if !v.lost && v.now().Sub(v.heard) > silentLeases*v.spec.Lease {
		v.gone(fmt.Errorf("no frame for %d ms", v.now().Sub(v.heard)/drivers.Millisecond))
	}
	// Also when nothing came: clients must see that the picture grows old.
	v.publishNow()
}

// patience is how long the loop may sleep.
func (v *Live) patience() time.Duration {
	d := v.m.Deadline()
	if d == 0 {
		return turnMax
	}
	return min(turnMax, max(0, time.Duration(d.Sub(v.now()))*time.Microsecond))
}

// jumped tells the machine when the loop itself stood still: what it believes
// may be old, and a lease renewed now would rest on it.
func (v *Live) jumped() {
	now := v.now()
	gap := now.Sub(v.turned)
	v.turned = now
	if gap > v.spec.Lease/2 {
		v.handle(machine.ClockJump{At: now, Jump: gap})
	}
}

func (v *Live) framed(f *drivers.Frame) {
	v.frame, v.heard = *f, v.now()
	v.core.frame(&v.frame)
	// Only a frame that the machine has seen and found good renews the lease.
	if v.m.Renews() && v.now().Sub(f.At) < v.spec.Lease/2 {
		if err := v.host.Renew(v.m.Epoch(), f.Echo, v.spec.Lease); err == nil {
			v.renewed = v.now()
		}
	}
}

// routine asks for the routine commit and watches the data at risk.
func (v *Live) routine() {
	if v.run == nil || v.run.broken {
		return
	}
	if time.Since(v.asked) >= commitEvery {
		select {
		case v.commits <- job{kind: jobCommit, run: v.run, at: v.now()}:
			v.asked = time.Now()
		default: // the one before is still on its way to the disk
		}
	}
	v.atRisk(v.now(), riskMax)
}

// leaveMax bounds an orderly stop at the end.
const leaveMax = 10 * time.Second

// leave stops a run under way before the loop ends.
func (v *Live) leave(timer *time.Timer) {
	if v.m.Busy() {
		v.handle(machine.Operator{At: v.now(), Verb: machine.VerbStop, Who: "shutdown"})
	}
	ctx, cancel := context.WithTimeout(context.Background(), leaveMax)
	defer cancel()
	for v.m.Busy() && ctx.Err() == nil {
		v.turn(timer, ctx.Done())
	}
	if v.run != nil {
		v.keep(job{kind: jobCommit, run: v.run, at: v.now()})
	}
}

func (v *Live) publishNow() {
	left := max(0, v.renewed.Add(v.spec.Lease).Sub(v.now()))
	if v.renewed == 0 || !v.m.Renews() {
		left = 0
	}
	v.publish(&v.frame, v.spec.Lease, left)
}

// post queues an event. The queue is far longer than what can be under way at
// once; a full one means that the loop is stuck, and nothing may wait for it.
func (v *Live) post(e machine.Event) {
	select {
	case v.posted <- e:
	default:
		v.hub.notify(Alert{Bench: v.name, Notify: machine.Notify{Severity: machine.SeverityAlarm, Text: "event queue is full; lost " + e.String()}})
	}
}

// keep hands a storage job on. Whoever sees a run's end in the store finds the
// bench free: the picture goes out first.
func (v *Live) keep(j job) {
	if j.kind == jobFinish {
		v.publishNow()
	}
	select {
	case v.jobs <- j:
	default:
		v.post(machine.StoreFailed{At: j.at, Err: "the store does not keep up"})
	}
}

// store does storage jobs in order, away from the loop: permits, trips and ends
// on one goroutine, routine commits on another, so that no permit or trip waits
// for a commit's turn.
func (v *Live) store(jobs <-chan job) {
	for j := range jobs {
		if e := j.do(v.latches); e != nil {
			v.post(at(e, v.now()))
		}
	}
}

// at gives a storage answer the instant at which it came.
func at(e machine.Event, now drivers.Instant) machine.Event {
	switch e := e.(type) {
	case machine.Stored:
		e.At = now
		return e
	case machine.StoreFailed:
		e.At = now
		return e
	}
	return e
}
