package bench

import (
	"context"
	"errors"
	"sort"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Options say how a bench is opened.
type Options struct {
	Name string
	// Latched is the trip that the store remembers, or empty; Latches is where
	// trips outside of a run are kept, nil: nowhere.
	Latched string
	Latches Latches
	// Alert, where set, is told of notifications; it must not block.
	Alert func(Alert)
	// Waits is where storage jobs that take time say so, to go on when a Stepped
	// bench says; nil: none does.
	Waits <-chan Wait
	// Commits is how far apart a Stepped bench's routine commits lie in the rig's
	// time, and so how much more than a live bench's second of it is at risk; 0, or
	// nil: as on a live bench.
	Commits func() drivers.Span
}

// callTimeout is how long an executor waits for a device.
const callTimeout = 500 * drivers.Millisecond

// commitBytes and commitAge bound what a virtual bench may lose: real time
// counts, not the bench's. The bytes are those of frames in memory, of which a
// tenth is stored: what a commit finds in an unfinished block is packed twice, so
// that commits after every few thousand frames would pack everything twice.
const (
	commitBytes = 40 << 20
	commitAge   = 500 * time.Millisecond
	publishAge  = 50 * time.Millisecond
	lookEvery   = 256 // frames between looks at the wall clock
)

// Virtual runs a bench whose time it owns, as fast as the processor allows.
// While no run is under way, its clock stands still.
type Virtual struct {
	core
	rig   Rig
	set   drivers.Set
	buf   drivers.Frame
	queue []machine.Event // at this instant, in order
	later []machine.Event // answers still to come, by time

	quit chan struct{}
	once sync.Once

	bytes     int
	committed time.Time
	published time.Time
	frames    int
	stands    standing

	// tend is called after each frame, lost ones too: what the wall clock is for.
	tend func()
}

// NewVirtual opens a bench over rig and starts its loop.
func NewVirtual(rig Rig, o Options) *Virtual {
	v := newVirtual(rig, o)
	go v.loop()
	return v
}

func newVirtual(rig Rig, o Options) *Virtual {
	v := &Virtual{
		rig: rig, set: rig.Set(), quit: make(chan struct{}),
		core: newCore(o, rig.Now),
	}
	v.tend = v.lookAtTimes
	v.core.carry = v.carry
	v.core.keep = v.keep
	v.core.post = func(e machine.Event) { v.queue = append(v.queue, e) }
	return v
}

// Close stops a run under way, safe and recorded, and ends the loop.
func (v *Virtual) Close() error {
	v.once.Do(func() { close(v.quit) })
	<-v.done
	v.hub.close()
	return nil
}

func (v *Virtual) loop() {
	defer close(v.done)
	v.handle(machine.Boot{At: v.rig.Now(), Latched: v.latched})
	v.drain()
	v.look(true)
	for {
		if v.active() {
			select {
			case c := <-v.commands:
				c.reply <- c.fn()
				v.drain()
			case <-v.quit:
				v.leave()
				return
			default:
				v.turn()
			}
			continue
		}
		v.look(true)
		select {
		case c := <-v.commands:
			c.reply <- c.fn()
			v.drain()
		case <-v.quit:
			v.leave()
			return
		}
	}
}

// leaveFrames bounds how many frames an orderly stop may take at the end.
const leaveFrames = 100_000

// leave stops a run under way before the loop ends. A trip that could not be
// proven over has ended its run: waiting longer proves nothing.
func (v *Virtual) leave() {
	if v.m.Busy() {
		v.handle(machine.Operator{At: v.rig.Now(), Verb: machine.VerbStop, Who: "shutdown"})
		v.drain()
	}
	for i := 0; v.m.Busy() && !v.m.Unproven() && i < leaveFrames; i++ {
		v.turn()
	}
	if v.run != nil {
		if e := (job{kind: jobCommit, run: v.run, at: v.rig.Now()}).do(v.latches); e != nil {
			v.handle(e)
		}
	}
	v.look(true)
}

// active says whether the bench's time goes on: it stands still when nothing
// is under way, and while a person is waited for.
func (v *Virtual) active() bool {
	switch v.m.Phase() {
	case machine.PhaseIdle:
		return false
	case machine.PhaseAsking:
		return !v.m.Asks() // until it is safe to ask
	case machine.PhasePaused:
		return v.m.Deadline() != 0 && v.m.PausedBySoftLimit()
	case machine.PhaseLatched:
		return v.m.Watching()
	case machine.PhaseTripped:
		return !v.m.Unproven()
	}
	return true
}

// turn moves time to whatever comes next and handles it.
func (v *Virtual) turn() {
	next := v.rig.Next()
	t := v.next()
	v.rig.Advance(t)
	for len(v.later) > 0 && v.later[0].When() <= t {
		e := v.later[0]
		v.later = v.later[1:]
		v.handle(e)
		v.drain()
	}
	if t >= next {
		if v.rig.Frame(&v.buf) {
			v.frame(&v.buf)
			v.drain()
			v.bytes += 4 * len(v.buf.Counts)
		}
		v.tend()
		v.standIn()
	}
	if d := v.m.Deadline(); d != 0 && d <= t {
		v.handle(machine.Due{At: t})
		v.drain()
	}
}

// next is the instant of whatever comes next.
func (v *Virtual) next() drivers.Instant {
	t := v.rig.Next()
	if d := v.m.Deadline(); d != 0 && d < t {
		t = d
	}
	if len(v.later) > 0 && v.later[0].When() < t {
		t = v.later[0].When()
	}
	return max(t, v.rig.Now())
}

// lookAtTimes looks at the wall clock every so many frames.
func (v *Virtual) lookAtTimes() {
	if v.frames++; v.frames%lookEvery == 0 || v.bytes >= commitBytes {
		v.look(false)
	}
}

// drain handles what was posted at this instant.
func (v *Virtual) drain() {
	for len(v.queue) > 0 {
		e := v.queue[0]
		v.queue = v.queue[1:]
		v.handle(e)
	}
	v.queue = nil
}

// look is the part that knows real time: commits and pictures for clients.
func (v *Virtual) look(force bool) {
	now := time.Now()
	if v.run != nil && (v.bytes >= commitBytes || now.Sub(v.committed) >= commitAge) {
		v.bytes, v.committed = 0, now
		if e := (job{kind: jobCommit, run: v.run, at: v.rig.Now()}).do(v.latches); e != nil {
			v.handle(e)
			v.drain()
		}
	}
	if force || now.Sub(v.published) >= publishAge {
		v.published = now
		v.publish(&v.buf, 0, 0)
	}
}

// keep does a storage job at once. Whoever sees a run's end in the store finds the
// bench free: the picture goes out first.
func (v *Virtual) keep(j job) {
	if j.kind == jobFinish {
		v.publish(&v.buf, 0, 0)
	}
	if e := j.do(v.latches); e != nil {
		v.queue = append(v.queue, e)
	}
	if j.kind == jobFinish || j.kind == jobTrip {
		v.look(true)
	}
}

// carry does a device action at the present instant and queues its answer.
func (v *Virtual) carry(a machine.Action) {
	at := v.rig.Now()
	d := machine.Done{At: at}
	var err error
	ctx := context.Background()
	switch a := a.(type) {
	case machine.Halt:
		d.Epoch, d.Op = a.Epoch, machine.DeviceHalt
		// Both are told, whatever the first one says.
		err = errors.Join(v.set.Supply.Halt(ctx), v.set.Load.Halt(ctx))
	case machine.Arm:
		d.Epoch, d.Op = a.Epoch, machine.DeviceArm
		if d.Supply, err = v.set.Supply.Arm(ctx, a.Supply); err == nil {
			d.Load, err = v.set.Load.Arm(ctx, a.Load)
		}
	case machine.Set:
		d.Epoch, d.Op = a.Epoch, machine.DeviceSet
		dev := v.set.Supply
		if a.Direction == machine.Discharging {
			dev = v.set.Load
		}
		err = dev.Set(ctx, drivers.Setpoint{Current: a.Current, Voltage: a.Voltage, On: true})
	case machine.SwitchTo:
		d.Epoch, d.Op = a.Epoch, machine.DeviceSwitch
		v.rig.Fast(a.Closed&drivers.BoxPrecharge != 0)
		err = v.set.Box.Switch(ctx, a.Closed)
	case machine.BleedCells:
		d.Epoch, d.Op = a.Epoch, machine.DeviceBleed
		if len(a.Words) == 0 {
			err = v.set.Monitor.Halt(ctx)
		} else {
			err = v.set.Monitor.Bleed(ctx, a.Words)
		}
	case machine.Compute:
		v.compute(at, a)
		return
	default:
		return
	}
	if err != nil {
		d.Err = err.Error()
	}
	if errors.Is(err, drivers.ErrNoAnswer) {
		d.At = at.Add(callTimeout)
		v.answerLater(d)
		return
	}
	v.queue = append(v.queue, d)
}

func (v *Virtual) compute(at drivers.Instant, a machine.Compute) {
	if v.run == nil || v.run.Planner == nil {
		v.queue = append(v.queue, machine.Computed{At: at, Epoch: a.Epoch, GiveUp: "this bench has no balance planner"})
		return
	}
	e := v.run.Planner.Compute(a)
	e.At, e.Epoch = at, a.Epoch
	v.queue = append(v.queue, e)
}

func (v *Virtual) answerLater(e machine.Event) {
	i := sort.Search(len(v.later), func(i int) bool { return v.later[i].When() > e.When() })
	v.later = append(v.later, nil)
	copy(v.later[i+1:], v.later[i:])
	v.later[i] = e
}
