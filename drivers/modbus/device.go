package modbus

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// device is what boxes and points have in common: a line, a unit, who answers
// there, and the requests that read it.
type device struct {
	name   string // for messages: map, address and unit
	m      *Map
	unit   uint8
	expect drivers.Identity
	now    func() drivers.Instant
	line   line
	turn   chan struct{} // one call at a time, halts aside
	who    []group       // identity and the box's silence limit
	// longest is the silence limit that the bench file declares; 0: none.
	longest drivers.Span

	mu     sync.Mutex
	groups []group // what each reading asks for
	// verified is the connection over which the right device answered.
	verified uint64
	wrong    uint64 // the connection over which another one did, the latest time
	identity drivers.Identity
}

// fail wraps an error with the device and the exchange.
func (d *device) fail(exchange string, err error) error {
	return fmt.Errorf("%s: %s: %w", d.name, exchange, err)
}

// ask carries out an exchange; names say what each request is for. The first
// request that failed or was refused makes the error.
func (d *device) ask(ctx context.Context, epoch uint64, list []request, name func(int) string) ([]reply, error) {
	replies, err := d.line.exchange(ctx, epoch, d.unit, list)
	if err != nil {
		return nil, d.fail(name(min(len(replies), len(list)-1)), err)
	}
	for i, r := range replies {
		if r.err != nil {
			return replies, d.fail(name(i), r.err)
		}
	}
	return replies, nil
}

// ready makes sure that the right device is connected, and returns the
// connection's number.
func (d *device) ready(ctx context.Context) (uint64, error) {
	epoch, err := d.line.connect(ctx)
	if err != nil {
		return 0, d.fail("connect", err)
	}
	d.mu.Lock()
	done := d.verified == epoch
	d.mu.Unlock()
	if done {
		return epoch, nil
	}
	return epoch, d.verify(ctx, epoch)
}

// verify asks a device who it is and how long it bears silence.
func (d *device) verify(ctx context.Context, epoch uint64) error {
	var got drivers.Identity
	if len(d.who) > 0 {
		replies, err := d.read(ctx, epoch, d.who)
		if err != nil {
			return err
		}
		if got, err = d.introduce(replies); err != nil {
			return err
		}
	}
	if err := d.expect.Check(got); err != nil {
		d.mu.Lock()
		d.wrong, d.verified = epoch, 0
		d.mu.Unlock()
		return fmt.Errorf("%s: %w", d.name, err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.identity, d.verified, d.wrong = got, epoch, 0
	return nil
}

// introduce reads a device's identity and checks its silence limit.
func (d *device) introduce(replies []reply) (drivers.Identity, error) {
	var got drivers.Identity
	parts := [...]*string{&got.Maker, &got.Model, &got.Serial, &got.Firmware}
	for i, p := range d.m.identity {
		if p != nil {
			*parts[i] = p.text(find(d.who, replies, p))
		}
	}
	limit := d.m.heartbeat.limit
	if limit == nil || d.longest <= 0 {
		return got, nil
	}
	v, ok := limit.quantity(find(d.who, replies, limit))
	if !ok || v <= 0 || v > int64(d.longest) {
		said := "none"
		if ok && v > 0 {
			said = tree.FormatQuantity(v, tree.DimTime)
		}
		return got, d.fail(limit.place(), fmt.Errorf("its silence limit is %s, the bench file's heartbeat is %s; set the box to that or less, or say in the bench file what the box does: %w",
			said, tree.FormatQuantity(int64(d.longest), tree.DimTime), drivers.ErrRefused))
	}
	return got, nil
}

// find returns a point's registers among the replies to groups.
func find(groups []group, replies []reply, p *point) []uint16 {
	for i := range groups {
		for _, q := range groups[i].points {
			if q == p {
				return groups[i].words(replies[i], p)
			}
		}
	}
	return make([]uint16, p.size()) // every point is in a group
}

// read reads groups. Where the device says that a register does not exist, each
// of the group's points is asked for alone, so that the error can name it.
func (d *device) read(ctx context.Context, epoch uint64, groups []group) ([]reply, error) {
	replies, err := d.ask(ctx, epoch, requests(groups), func(i int) string { return groups[i].String() })
	var x *Exception
	if err == nil || !errors.As(err, &x) || x.Code != illegalAddress {
		return replies, err
	}
	for i := range groups {
		if errors.As(replies[i].err, &x) && len(groups[i].points) > 1 {
			return nil, d.missing(ctx, epoch, &groups[i], err)
		}
	}
	return nil, err
}

// missing finds out which of a group's points does not exist.
func (d *device) missing(ctx context.Context, epoch uint64, g *group, err error) error {
	var none []string
	var last error
	for _, p := range g.points {
		one := gather([]*point{p}, 0)
		_, e := d.ask(ctx, epoch, requests(one), func(int) string { return one[0].String() })
		var x *Exception
		switch {
		case e == nil:
		case errors.As(e, &x):
			none, last = append(none, p.place()), x
		default:
			return err // no time or no connection to find out
		}
	}
	if len(none) > 0 {
		return d.fail("read "+strings.Join(none, ", "), last)
	}
	return fmt.Errorf("%w; each of these points exists, a register between them does not: write a smaller `gap` into the register map", err)
}

// Identify says who the device is; parts that the map does not know stay empty.
func (d *device) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := take(ctx, d.turn, "an earlier call"); err != nil {
		return drivers.Identity{}, d.fail("identify", err)
	}
	defer func() { <-d.turn }()
	if ctx.Err() != nil {
		return drivers.Identity{}, d.fail("identify", late(ctx, "not begun"))
	}
	epoch, err := d.line.connect(ctx)
	if err != nil {
		return drivers.Identity{}, d.fail("connect", err)
	}
	if err := d.verify(ctx, epoch); err != nil {
		return drivers.Identity{}, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.identity, nil
}

// Close ends the connection. It switches nothing: halt first.
func (d *device) Close() error { return d.line.close() }
