package scpi

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Halt switches off. The off command is written at once, whatever is on the
// wire and whatever ctx says; a question whose reply is awaited is cut off, and
// no Set begun earlier is sent any more. Where there is no connection, one is
// made. Off is the first thing sent on it and on each later one, until a Set
// switches on.
//
// It returns nil once off was written and the instrument, asked after it,
// answered: that it is off, or still on within the declared delay. On any
// longer is ErrRefused. No answer is ErrNoAnswer; where the connection had been
// sound, half of the time is left for the same on another.
func (p *Power) Halt(ctx context.Context) error {
	p.mu.Lock()
	p.halts.Add(1)
	p.turned(false)
	p.mu.Unlock()
	end, ok := ctx.Deadline()
	if !ok {
		end = time.Now().Add(askLimit)
	}
	live := p.s.greeted()
	try, cancel := context.WithTimeout(ctx, time.Until(end)/2)
	err := p.haltOnce(try)
	cancel()
	if err == nil || live == nil || errors.Is(err, drivers.ErrRefused) || errors.Is(err, errClosed) {
		return err
	}
	// The connection may be dead without anybody knowing: take another, and let
	// nobody after this call wait for the old one either.
	live.fail(fmt.Errorf("%w: left by a halt: %w", drivers.ErrNoAnswer, err))
	if ctx.Err() != nil {
		return err
	}
	again, cancel := context.WithDeadline(ctx, end)
	defer cancel()
	return p.haltOnce(again)
}

func (p *Power) haltOnce(ctx context.Context) error {
	if l := p.s.live(); l != nil {
		l.halt(p.d.output.off, p.d.output.overtake) // what fails here begins the next connection
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
