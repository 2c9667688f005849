package host

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// keeper keeps a bench energised as long as it may be, and de-energises it.
//
// How a command and a halt that cross end in safety: a command, under the lock,
// notes how often its device was asked to halt, is admitted and is counted; when
// the device has obeyed, it looks whether there were more halts since and, if
// so, has the device halted again. A halt first asks the halters, without any
// lock; then, under the lock, it closes the lease or the epoch, and if a command
// was admitted in between it asks the halters a second time. Whatever the order,
// the last thing that the device hears is halt.
type keeper struct {
	now    func() drivers.Instant
	report func(Event)
	// patience is how long a command waits for halts before it.
	patience time.Duration

	supply, load, monitor, box *halter // nil where the bench has none
	opener                     *opener

	admitted atomic.Uint64 // commands admitted; written under mu
	armings  atomic.Uint64 // leases begun; written under mu
	until    atomic.Int64  // when the lease runs out, 0: no lease
	silent   atomic.Uint32 // bit per role: does not answer
	leaseOut atomic.Bool   // shown in the outputs' state bits

	mu    sync.Mutex // held for instants only, never while a device is called
	lease *Lease
	asked [2]uint64 // requests of the latest halt by command
	on    [2]bool   // supply, load: switched on by a command, not yet off again
	bare  [2]bool   // supply, load: lost or proven since it was armed
	alone bool      // an instrument is being left alone; nothing else may energise
	ended bool      // no lease begins any more
	// A part of a bench (Config.Part) may lose its lease and get another by the
	// arming of another device: what was not armed since stays off (INV-08).
	part   bool
	armed  [2]bool // supply, load: limits read back under this lease
	unheld bool    // no lease stream is open
	rearm  chan struct{}
}

// Indices of keeper.on and keeper.asked.
const (
	sideSupply = iota
	sideLoad
)

func (k *keeper) outputs() [2]*halter { return [2]*halter{k.supply, k.load} }

// askOutputs is the quick part of every halt.
func (k *keeper) askOutputs() (asked [2]uint64) {
	for i, h := range k.outputs() {
		if h != nil {
			asked[i] = h.ask()
		}
	}
	return asked
}

// haltOutputs switches supply and load off and begins an epoch. It returns the
// halters' request numbers.
func (k *keeper) haltOutputs(epoch uint64) [2]uint64 {
	before := k.admitted.Load()
	asked := k.askOutputs()
	k.mu.Lock()
	defer k.mu.Unlock()
	k.lease.Halt(epoch)
	k.on = [2]bool{}
	k.leaseOut.Store(false) // whoever commands has noticed
	if k.admitted.Load() != before {
		asked = k.askOutputs()
	}
	k.asked = asked
	return asked
}

// latestHalt returns the request numbers of the latest halt by command.
func (k *keeper) latestHalt() [2]uint64 {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.asked
}

// switchOff halts one output alone.
func (k *keeper) switchOff(ctx context.Context, side int) error {
	h := k.outputs()[side]
	if err := h.wait(ctx, h.ask()); err != nil {
		return err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.on[side] = false
	return nil
}

// askAll is the quick part of a halt of everything.
func (k *keeper) askAll() {
	k.askOutputs()
	k.opener.trip()
	if k.monitor != nil {
		k.monitor.ask()
	}
}

// haltAll de-energises the whole bench and ends the lease: outputs and bleeding
// at once, contactors by the opener.
func (k *keeper) haltAll() (wasOn bool) {
	before := k.admitted.Load()
	k.askAll()
	k.mu.Lock()
	k.lease.Revoke()
	k.until.Store(0)
	wasOn = k.on != [2]bool{}
	k.on, k.armed = [2]bool{}, [2]bool{}
	crossed := k.admitted.Load() != before
	k.mu.Unlock()
	if crossed {
		k.askAll()
	}
	return wasOn
}

// command carries out what energises. It first waits until the device took
// every halt that was asked for, so that the halt of its own epoch does not
// undo it; then it is admitted, or refused with why; then the device is called,
// and halted again if a halt overtook the call. check, where given, runs under
// the lock and may refuse too.
func (k *keeper) command(ctx context.Context, epoch uint64, h *halter, check, call func() error) error {
	if err := k.settled(ctx, h); err != nil {
		return err
	}
	before, err := k.admit(epoch, h, check)
	if err != nil {
		return err
	}
	err = call()
	if h.asked.Load() != before {
		h.ask()
		return fmt.Errorf("halted meanwhile: %w", drivers.ErrRefused)
	}
	return err
}

// admit lets a command energise and returns how often its device had been
// asked to halt before.
func (k *keeper) admit(epoch uint64, h *halter, check func() error) (before uint64, err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	before = h.asked.Load() // before it is counted
	if h.told.load() < before {
		return before, fmt.Errorf("halted meanwhile: %w", drivers.ErrRefused)
	}
	if k.alone {
		return before, fmt.Errorf("an instrument is being left alone to prove that it switches off by itself: %w", drivers.ErrRefused)
	}
	if err := k.lease.Admit(epoch, k.now()); err != nil {
		return before, err
	}
	if check != nil {
		if err := check(); err != nil {
			return before, err
		}
	}
	k.admitted.Add(1)
	return before, nil
}

// settled waits a while until a device took every halt that was asked for.
func (k *keeper) settled(ctx context.Context, h *halter) error {
	ctx, cancel := context.WithTimeout(ctx, k.patience)
	defer cancel()
	return h.wait(ctx, h.asked.Load())
}

// otherTold waits until the other output took every halt that was asked for.
func (k *keeper) otherTold(ctx context.Context, side int) error {
	other := k.outputs()[1-side]
	if other == nil {
		return nil
	}
	if err := k.settled(ctx, other); err != nil {
		return fmt.Errorf("%w: the other output has not taken its halt: %v", drivers.ErrRefused, err)
	}
	return nil
}

// mayTurnOn refuses to switch one output on while the other is on, or was and
// has not taken its halt (INV-01): that current has really ceased is the
// machine's to measure. It refuses too where the instrument was lost since it
// was armed: one that was without power has forgotten its limits (INV-08). It
// runs under the lock and notes the output as on.
func (k *keeper) mayTurnOn(side int) error {
	if k.part && !k.armed[side] {
		return fmt.Errorf("the %s was not armed under this lease: %w", k.outputs()[side].role, drivers.ErrRefused)
	}
	if other := k.outputs()[1-side]; other != nil && (k.on[1-side] || other.pending()) {
		return fmt.Errorf("the %s is not off yet, halt it first: %w", other.role, drivers.ErrRefused)
	}
	if k.bare[side] {
		return fmt.Errorf("it was lost since it was armed and may have forgotten its limits, arm it again: %w", drivers.ErrRefused)
	}
	k.on[side] = true
	return nil
}

// arm begins a lease and puts it in force.
func (k *keeper) arm(epoch uint64, install func()) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if err := k.beginLease(k.lease, epoch); err != nil {
		return err
	}
	install()
	k.armings.Add(1)
	k.leaseOut.Store(false)
	k.noteUntil()
	select {
	case k.rearm <- struct{}{}:
	default:
	}
	return nil
}

// mayArm says beforehand whether arm would refuse the epoch.
func (k *keeper) mayArm(epoch uint64) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	probe := *k.lease
	return k.beginLease(&probe, epoch)
}

func (k *keeper) beginLease(l *Lease, epoch uint64) error {
	if k.ended {
		return fmt.Errorf("the host is ending: %w", drivers.ErrLease)
	}
	if k.unheld {
		return fmt.Errorf("no lease stream is open: %w", drivers.ErrLease)
	}
	return l.Arm(epoch, k.now())
}

// end halts everything for good: no lease begins any more.
func (k *keeper) end() {
	k.mu.Lock()
	k.ended = true
	k.mu.Unlock()
	k.haltAll()
}

// renew extends the lease, unless some device does not answer.
func (k *keeper) renew(epoch, echo uint64, d drivers.Span) {
	if k.silent.Load() != 0 {
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.lease.Renew(epoch, echo, d, k.now()) {
		k.noteUntil()
	}
}

func (k *keeper) sent(echo uint64, at drivers.Instant) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.lease.Sent(echo, at)
}

// noteUntil mirrors the lease's end for the watch, which takes no lock.
func (k *keeper) noteUntil() {
	until, live := k.lease.Until()
	if !live {
		until = 0
	}
	k.until.Store(int64(until))
}

// watch halts everything when the lease runs out.
func (k *keeper) watch(ctx context.Context) {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		until := drivers.Instant(k.until.Load())
		if until != 0 {
			left := until.Sub(k.now())
			if left <= 0 {
				k.runOut(until)
				continue
			}
			timer.Reset(duration(left))
		}
		select {
		case <-timer.C:
		case <-k.rearm:
		case <-ctx.Done():
			return
		}
	}
}

// runOut acts on a lease that has run out.
func (k *keeper) runOut(until drivers.Instant) {
	now := k.now()
	wasOn := k.haltAll()
	k.leaseOut.Store(wasOn)
	text := "the lease ran out with all outputs off; everything was halted"
	if wasOn {
		text = "the lease ran out; everything was halted"
	}
	k.report(Event{Kind: EventLeaseOut, At: now, Breach: Breach{Channel: -1, Value: int64(now), Limit: int64(until)}, Text: text})
}
