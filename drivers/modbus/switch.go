package modbus

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Switch closes exactly the given contactors and opens the others; what opens
// does so first. It reads the emergency stop before, and the command back
// after.
func (b *Box) Switch(ctx context.Context, closed drivers.Contactors) error {
	if more := closed &^ b.m.commands.there; more != 0 {
		return b.fail("switch "+contactors(closed), fmt.Errorf("the box has no contactor %s: %w", contactors(more), drivers.ErrRefused))
	}
	if closed == 0 {
		return b.Halt(ctx)
	}
	halts := b.halts.Load()
	if err := b.begin(ctx, "switch "+contactors(closed)); err != nil {
		return err
	}
	defer func() { <-b.turn }()
	epoch, err := b.ready(ctx)
	if err != nil {
		return err
	}
	now, err := b.look(ctx, epoch, true)
	switch {
	case err != nil:
		return err
	case now.State&drivers.BoxEmergencyStop != 0:
		if err := b.release(ctx, epoch); err != nil {
			return err
		}
		return b.fail("switch "+contactors(closed), fmt.Errorf("the emergency stop is engaged: %w", drivers.ErrRefused))
	}
	return b.command(ctx, epoch, closed, halts)
}

// command writes the steps to a combination. A halt since the call began makes
// every step void.
func (b *Box) command(ctx context.Context, epoch uint64, closed drivers.Contactors, halts uint64) error {
	b.mu.Lock()
	steps := b.m.commands.steps(b.told, closed, b.known)
	b.mu.Unlock()
	for i, r := range steps {
		r.valid = func() bool { return b.halts.Load() == halts }
		_, err := b.ask(ctx, epoch, []request{r}, func(int) string {
			return fmt.Sprintf("%s (close %s, open the others)", &r, contactors(closed))
		})
		if err != nil {
			// Refused at the first step the box is as it was; else nobody knows.
			if _, refused := refusal(err); !refused || i > 0 {
				b.tell(halts, 0, false)
			}
			return err
		}
	}
	b.tell(halts, closed, true)
	return b.confirm(ctx, epoch, closed)
}

// tell notes what the box was told, unless a halt has come since.
func (b *Box) tell(halts uint64, closed drivers.Contactors, known bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.halts.Load() == halts {
		b.told, b.known = closed, known
	}
}

// confirm reads the command back.
func (b *Box) confirm(ctx context.Context, epoch uint64, closed drivers.Contactors) error {
	list := b.m.commands.readBack()
	if len(list) == 0 {
		return nil
	}
	replies, err := b.ask(ctx, epoch, list, func(i int) string { return "read back " + list[i].String() })
	switch {
	case err != nil:
		return err
	case !b.m.commands.holds(replies, closed):
		return b.fail("read back "+list[0].String(), fmt.Errorf("it holds %#04x, it was told to close %s: %w", replies[0].words, contactors(closed), drivers.ErrRefused))
	}
	return nil
}

// release opens every contactor as part of another call.
func (b *Box) release(ctx context.Context, epoch uint64) error {
	halts := b.halts.Load()
	list := b.m.commands.open()
	_, err := b.ask(ctx, epoch, list, func(i int) string {
		return "open all contactors, the emergency stop is engaged, " + list[i].String()
	})
	b.tell(halts, 0, err == nil)
	return err
}

// Halt opens every contactor. The write overtakes whatever is in flight; see
// the package comment for how and how long it takes. Where time is left the
// command is read back.
func (b *Box) Halt(ctx context.Context) error {
	b.halts.Add(1)
	b.mu.Lock()
	wrong := b.wrong
	b.mu.Unlock()
	if wrong != 0 {
		// Zeros in the registers of a device that is no box could do anything.
		if epoch, err := b.line.connect(ctx); err == nil && epoch == wrong {
			return b.fail("halt", drivers.ErrIdentity)
		}
	}
	if ctx.Err() != nil {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(context.WithoutCancel(ctx), lastWords)
		defer cancel()
	}
	for {
		err := b.openAll(ctx)
		if x, refused := refusal(err); !refused || !x.passing() || ctx.Err() != nil {
			return err
		}
	}
}

func (b *Box) openAll(ctx context.Context) error {
	halts := b.halts.Load()
	list := b.m.commands.open()
	start := time.Now()
	replies, err := b.line.urgent(ctx, b.unit, list)
	for i, r := range replies {
		if err == nil && r.err != nil {
			return b.fail("halt, "+list[i].String(), r.err)
		}
	}
	if err != nil {
		b.tell(halts, 0, false)
		return b.fail("halt, "+list[min(len(replies), len(list)-1)].String(), err)
	}
	b.tell(halts, 0, true)
	return b.empty(ctx, glance+2*time.Since(start))
}

// glance is how long a halt that was acknowledged waits to be read back, beyond
// twice the time that the acknowledgement took.
const glance = 10 * time.Millisecond

// empty reads a halt back. Only a box that answers and holds something else
// makes it fail: the halt itself has been acknowledged.
func (b *Box) empty(ctx context.Context, wait time.Duration) error {
	halts := b.halts.Load()
	list := b.m.commands.readBack()
	if len(list) == 0 {
		return nil
	}
	soon, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	replies, err := b.line.aside(soon, b.unit, list)
	if err != nil {
		return nil
	}
	for _, r := range replies {
		if r.err != nil {
			return nil
		}
	}
	b.mu.Lock()
	still := b.told == 0 && b.known && b.halts.Load() == halts
	b.mu.Unlock()
	if still && !b.m.commands.holds(replies, 0) {
		return b.fail("halt, read back "+list[0].String(), fmt.Errorf("it acknowledged and still holds %#04x: %w", replies[0].words, drivers.ErrRefused))
	}
	return nil
}

// contactors names a set for people.
func contactors(c drivers.Contactors) string {
	var names []string
	for k, name := range contactorNames {
		if c&(1<<k) != 0 {
			names = append(names, name)
		}
	}
	if more := c &^ allContactors; more != 0 {
		names = append(names, fmt.Sprintf("%#x", uint8(more)))
	}
	return strings.Join(names, "+")
}
