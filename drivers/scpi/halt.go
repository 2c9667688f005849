package scpi

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// leastTry is under what time left a halt does not begin another try.
const leastTry = 2 * time.Millisecond

// Halt switches off. The off command is written at once, whatever is on the
// wire and whatever ctx says; a question whose reply is awaited is cut off, and
// no Set begun earlier is sent any more. Where there is no connection, one is
// made, and off is the first thing sent on it, also later if it fails now.
//
// It returns nil once off was written and the instrument, asked after it,
// answered: that it is off, or still on within the declared delay. On any
// longer is ErrRefused; no answer is ErrNoAnswer, tried on a connection of its
// own for as long as ctx lasts.
func (p *Power) Halt(ctx context.Context) error {
	p.halts.Add(1)
	p.mu.Lock()
	p.turned(false)
	p.mu.Unlock()
	end, ok := ctx.Deadline()
	if !ok {
		end = time.Now().Add(askLimit)
	}
	for {
		left := time.Until(end)
		try, cancel := context.WithTimeout(ctx, left/2)
		err := p.haltOnce(try)
		cancel()
		if err == nil || errors.Is(err, drivers.ErrRefused) || ctx.Err() != nil || time.Until(end) < leastTry || errors.Is(err, errClosed) {
			return err
		}
		p.s.leave(err) // it may be dead without anybody knowing
	}
}

func (p *Power) haltOnce(ctx context.Context) error {
	if l := p.s.live(); l != nil && !l.halt(p.d.output.off, p.d.output.overtake) {
		p.s.owesOff()
	}
	err := p.s.do(ctx, true, nil, func(t *talk) error {
		if err := wait(t.ctx, p.d.output.settle); err != nil {
			return err
		}
		f, err := t.states(flagOn)
		if err != nil {
			return err
		}
		if err := t.sure(); err != nil {
			return err
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if f&flagOn != 0 && !p.on && p.overdue() {
			return fmt.Errorf("%w: still on after its delay", drivers.ErrRefused)
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("halt: %w", err)
	}
	return nil
}
