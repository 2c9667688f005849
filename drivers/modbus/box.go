package modbus

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync/atomic"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Box is a contactor box behind Modbus. Its methods are safe for concurrent use.
type Box struct {
	*device
	spec drivers.BoxSpec
	// halts counts halts; a closing that began under an older count is not sent.
	halts atomic.Uint64

	// What follows is guarded by device.mu.

	// told is what was commanded last; known: the box took it.
	told  drivers.Contactors
	known bool
	// touched says that the box has been kept in touch since fed without a gap
	// in which it can have dropped out.
	touched bool
	fed     drivers.Instant
	pulse   uint16 // the heartbeat's latest value
	counted bool   // raw is the box's latest count of measurements
	raw     uint32
	beat    int32
}

// NewBox prepares a contactor box; nothing is opened before the first call.
func NewBox(o Options, spec drivers.BoxSpec) (*Box, error) {
	d, err := o.open(true)
	if err != nil {
		return nil, err
	}
	b := &Box{device: d, spec: spec}
	if err := b.fits(); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	d.longest = spec.Heartbeat
	return b, nil
}

// fits compares what the bench file says of the box with what the map can give.
func (b *Box) fits() error {
	for _, q := range []struct {
		p    *point
		step int64
		dim  tree.Dimension
	}{{b.m.link, int64(b.spec.LinkStep), tree.DimVoltage}, {b.m.current, int64(b.spec.CurrentStep), tree.DimCurrent}} {
		switch {
		case q.p == nil && q.step > 0:
			return fmt.Errorf("%s: the bench file says that the box measures %s, the register map does not say where", b.name, q.dim)
		case q.p == nil || q.p.form == formFloat32 || q.step <= 0:
		case q.p.step > q.step:
			// A step finer than the truth makes a frozen reading look alive.
			return fmt.Errorf("%s: %s comes in steps of %s, the bench file says %s", b.name, q.p.name,
				tree.FormatQuantity(q.p.step, q.dim), tree.FormatQuantity(q.step, q.dim))
		}
	}
	switch {
	case b.spec.LinkStep <= 0:
		return fmt.Errorf("%s: the bench file gives no step of the link's voltage", b.name)
	case b.spec.Heartbeat > 0 && !b.m.Heartbeat():
		return fmt.Errorf("%s: the bench file says that the box drops out without its heartbeat, the register map has none", b.name)
	}
	return nil
}

// Read keeps the box in touch and returns its measurement. Two states make it
// open every contactor first: a silence so long that the box has dropped out,
// and an engaged emergency stop. In both the box may still hold an old command,
// and nothing may close when the heartbeat comes back or the stop is released
// (INV-06, INV-13).
func (b *Box) Read(ctx context.Context) (drivers.BoxReading, error) {
	if err := b.begin(ctx, "read"); err != nil {
		return drivers.BoxReading{}, err
	}
	defer func() { <-b.turn }()
	epoch, err := b.ready(ctx)
	if err != nil {
		return drivers.BoxReading{}, err
	}
	r, err := b.look(ctx, epoch, false)
	if err != nil || r.State&drivers.BoxEmergencyStop == 0 {
		return r, err
	}
	if b.mu.Lock(); b.told != 0 || !b.known {
		b.mu.Unlock()
		return r, b.release(ctx, epoch)
	}
	b.mu.Unlock()
	return r, nil
}

// begin takes the turn of a call.
func (b *Box) begin(ctx context.Context, what string) error {
	if ctx.Err() != nil {
		return b.fail(what, late(ctx, "not begun"))
	}
	if err := take(ctx, b.turn, "an earlier call"); err != nil {
		return b.fail(what, err)
	}
	return nil
}

// look feeds the heartbeat and reads, in one exchange.
func (b *Box) look(ctx context.Context, epoch uint64, feed bool) (drivers.BoxReading, error) {
	list, names := b.contact(feed)
	started := b.now()
	first := len(list)
	list = append(list, requests(b.groups)...)
	replies, err := b.ask(ctx, epoch, list, func(i int) string {
		if i < first {
			return names[i]
		}
		return b.groups[i-first].String()
	})
	var x *Exception
	if errors.As(err, &x) && x.Code == illegalAddress && replies != nil {
		// Asked again for the sake of the message.
		if _, named := b.read(ctx, epoch, b.groups); named != nil {
			err = named
		}
	}
	if err != nil {
		return drivers.BoxReading{}, err
	}
	b.met(started, first > 0)
	return b.decode(replies[first:]), nil
}

// contact lists the writes that keep the box in touch.
func (b *Box) contact(feed bool) (list []request, names []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.now()
	silent := now.Sub(b.fed)
	gap := b.spec.Heartbeat > 0 && silent >= b.spec.Heartbeat
	if b.m.Heartbeat() && (!b.touched || gap) {
		for _, r := range b.m.commands.open() {
			list, names = append(list, r), append(names, "open all contactors after a silence, "+r.String())
		}
		b.told, b.known, b.touched = 0, true, false
	}
	// A quarter of the limit leaves room for three lost contacts; each contact
	// costs a slow line dear.
	if h := b.m.heartbeat.register; h != nil && (feed || !b.touched || silent >= b.spec.Heartbeat/4) {
		b.pulse++
		r := request{function: writeRegister, at: h.at, count: 1, values: []uint16{h.word([]uint16{b.pulse}, 0)}}
		if b.m.commands.many {
			r.function = writeRegisters
		}
		list, names = append(list, r), append(names, r.String()+" ("+h.place()+")")
	}
	return list, names
}

// met notes that the box answered to a contact begun at that instant.
func (b *Box) met(at drivers.Instant, wrote bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if wrote || b.m.heartbeat.any {
		b.fed, b.touched = at, true
	}
}

// decode makes a reading of the groups' replies.
func (b *Box) decode(replies []reply) drivers.BoxReading {
	words := func(p *point) []uint16 { return find(b.groups, replies, p) }
	m := b.m
	r := drivers.BoxReading{Link: drivers.NoReading, Current: drivers.NoReading}
	if v, ok := m.link.quantity(words(m.link)); ok {
		r.Link = counts(v, int64(b.spec.LinkStep))
	}
	if m.current != nil && b.spec.CurrentStep > 0 {
		if v, ok := m.current.quantity(words(m.current)); ok {
			r.Current = counts(v, int64(b.spec.CurrentStep))
		}
	}
	for k, p := range m.feedback {
		if p != nil && p.flag(words(p)) {
			r.State |= 1 << k
		}
	}
	if m.stop != nil && m.stop.flag(words(m.stop)) {
		r.State |= drivers.BoxEmergencyStop
	}
	for _, p := range m.faults {
		if p.flag(words(p)) {
			r.State |= drivers.BoxFault
		}
	}
	raw, size := uint32(1), 0
	if m.beat != nil {
		raw, size = m.beat.raw(words(m.beat)), m.beat.size()
	}
	r.Beat = b.count(raw, size)
	return r
}

// counts turns a quantity into steps, NoReading where they cannot hold it.
func counts(v, step int64) int32 {
	half := step / 2
	if v < 0 {
		half = -half
	}
	n := (v + half) / step
	if n > math.MaxInt32 || n <= math.MinInt32 {
		return drivers.NoReading
	}
	return int32(n)
}

// count carries the box's counter, of size registers, on beyond its own width;
// size 0: it has none, and each answer counts as a measurement.
func (b *Box) count(raw uint32, size int) int32 {
	b.mu.Lock()
	defer b.mu.Unlock()
	step := raw
	switch {
	case size == 0:
	case !b.counted:
		step = raw & math.MaxInt32
	case size == 1:
		step = uint32(uint16(raw - b.raw))
	default:
		step = raw - b.raw
	}
	b.raw, b.counted = raw, true
	b.beat = int32((uint32(b.beat) + step) & math.MaxInt32)
	return b.beat
}

// Faults reads the box's fault bits and names those that stand; BoxFault in a
// reading says that there are some.
func (b *Box) Faults(ctx context.Context) ([]string, error) {
	if err := b.begin(ctx, "read faults"); err != nil {
		return nil, err
	}
	defer func() { <-b.turn }()
	epoch, err := b.ready(ctx)
	if err != nil || len(b.m.faults) == 0 {
		return nil, err
	}
	groups := gather(b.m.faults, b.m.gap)
	replies, err := b.read(ctx, epoch, groups)
	if err != nil {
		return nil, err
	}
	var list []string
	for _, p := range b.m.faults {
		if p.flag(find(groups, replies, p)) {
			list = append(list, p.name)
		}
	}
	return list, nil
}

// lastWords is how long a halt may take whose caller's time is over already.
const lastWords = 20 * time.Millisecond

var _ drivers.Box = (*Box)(nil)
