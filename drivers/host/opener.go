package host

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// opener opens the contactors after everything was halted: as soon as measured
// current is under the declared opening current, after the opening time
// whatever flows, at once where current is unknown (INV-03).
type opener struct {
	box    *halter // nil: no box, nothing to open
	limit  drivers.Microamps
	after  drivers.Span
	now    func() drivers.Instant
	report func(Event)
	hurry  func() // asks for readings at the link period

	kick   chan struct{}
	asked  atomic.Uint64 // openings asked for
	done   counter       // of these, told to the box
	flows  chan flow     // the latest reading while active
	active atomic.Bool   // flows are wanted
	since  atomic.Int64  // when everything was halted
	known  atomic.Bool   // the latest frame told the current
}

// flow is what a frame tells of the current.
type flow struct {
	state flowState
	amps  drivers.Microamps // magnitude, unless unknown
}

type flowState uint8

const (
	flowUnknown flowState = iota // no sensor gives a fresh reading
	flowOld                      // measured, but before everything was halted
	flowFresh
)

// trip begins an opening. It never waits.
func (o *opener) trip() {
	if o.box == nil {
		return
	}
	o.asked.Add(1)
	if !o.active.Load() {
		o.since.Store(int64(o.now()))
		o.active.Store(true)
	}
	select {
	case o.kick <- struct{}{}:
	default:
	}
	o.hurry()
}

// tell passes on a frame's current. Only the sampler calls it.
func (o *opener) tell(f flow) {
	o.known.Store(f.state != flowUnknown)
	if o.active.Load() {
		newest(o.flows, f)
	}
}

func (o *opener) run(ctx context.Context) {
	for {
		select {
		case <-o.kick:
			o.open(o.await(ctx))
		case <-ctx.Done():
			return
		}
	}
}

// await returns the latest current once the contactors must open.
func (o *opener) await(ctx context.Context) flow {
	latest := flow{state: flowOld}
	if !o.known.Load() {
		return flow{}
	}
	timer := time.NewTimer(duration(o.after))
	defer timer.Stop()
	for {
		select {
		case latest = <-o.flows:
			if latest.state == flowUnknown || latest.state == flowFresh && latest.amps <= o.limit {
				return latest
			}
		case <-timer.C:
			return latest
		case <-ctx.Done():
			return latest
		}
	}
}

// open opens, and tells what flowed.
func (o *opener) open(f flow) {
	select {
	case <-o.kick: // came meanwhile, and is answered by the same opening
	default:
	}
	n := o.asked.Load()
	o.active.Store(false)
	o.box.ask()
	o.done.raise(n)
	e := Event{Kind: EventOpened, At: o.now(), Role: RoleBox,
		Breach: Breach{Channel: -1, Value: int64(f.amps), Limit: int64(o.limit), Unknown: f.state != flowFresh}}
	switch {
	case e.Breach.Unknown:
		e.Text = "contactors were told to open, the current being unknown; check them for welding"
	case f.amps > o.limit:
		e.Text = fmt.Sprintf("contactors were told to open at %d mA, over the opening current of %d mA; check them for welding", f.amps/1000, o.limit/1000)
	default:
		e.Text = fmt.Sprintf("contactors were told to open at %d mA", f.amps/1000)
	}
	o.report(e)
}
