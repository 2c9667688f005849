package modbus

import (
	"bytes"
	"context"
	"fmt"
	"time"
)

// urgent cuts the running exchange short and writes as soon as no byte arrives.
// On a two-wire bus this may collide with a reply on its way: it is written
// again after a silence, until the device echoes it or the time is up.
func (b *bus) urgent(ctx context.Context, unit uint8, list []request) ([]reply, error) {
	b.halting.Add(1)
	defer b.halting.Add(-1)
	b.interrupt()
	if _, ok := ctx.Deadline(); !ok {
		c, cancel := context.WithTimeout(ctx, impatient)
		defer cancel()
		ctx = c
	}
	if err := take(ctx, b.turn, "the serial line"); err != nil {
		return nil, err
	}
	defer func() { <-b.turn }()
	replies := make([]reply, 0, len(list))
	for i := range list {
		r, err := b.insist(ctx, unit, &list[i])
		if err != nil {
			return replies, err
		}
		replies = append(replies, r)
	}
	return replies, nil
}

// insist sends one write until it is answered.
func (b *bus) insist(ctx context.Context, unit uint8, r *request) (reply, error) {
	frame := serialFrame(unit, r.pdu())
	want := frame
	if r.function == writeCoils || r.function == writeRegisters {
		want = serialFrame(unit, r.pdu()[:5])
	}
	switch {
	case time.Now().After(b.settle):
		b.asked = unit
	case b.asked != unit:
		b.asked = 0
	}
	for {
		if err := b.ready(true); err != nil {
			return reply{}, err
		}
		err := b.hush(ctx)
		if err == nil {
			err = b.write(frame)
		}
		var out reply
		var done bool
		if err == nil {
			out, done, err = b.echo(ctx, unit, r, want)
		}
		switch {
		case done:
			if b.asked == unit { // it answers in order: nothing older will come
				b.settle = time.Time{}
			}
			return out, nil
		case ctx.Err() != nil:
			return reply{}, b.broken(late(ctx, "waiting for the reply"))
		case err != nil && b.port != nil:
			return reply{}, err
		}
		// A port that failed is looked for again while there is time.
	}
}

// hush waits until no byte has come for as long as parts two frames. A line that
// never falls silent is not waited for longer than half of the caller's time:
// where both ways have wires of their own the write is heard all the same.
func (b *bus) hush(ctx context.Context) error {
	t := time.NewTimer(time.Until(b.activity.Add(b.mode.silence())))
	defer t.Stop()
	var babbles <-chan time.Time
	if end, ok := ctx.Deadline(); ok {
		half := time.NewTimer(time.Until(end) / 2)
		defer half.Stop()
		babbles = half.C
	}
	for {
		select {
		case _, ok := <-b.port.bytes:
			if !ok {
				return b.gone(b.port.fail)
			}
			b.activity = time.Now()
			t.Reset(b.mode.silence())
		case <-t.C:
			return nil
		case <-babbles:
			return nil
		case <-ctx.Done():
			return late(ctx, "waiting for the line to be quiet")
		}
	}
}

// echo waits for the reply to a write. The reply is known beforehand, so it is
// found among what the interrupted exchange left behind. False: not in time.
func (b *bus) echo(ctx context.Context, unit uint8, r *request, want []byte) (reply, bool, error) {
	wait := time.Until(b.activity) + time.Duration(b.answers.Load()) + time.Duration(len(want)+2)*b.mode.character()
	t := time.NewTimer(wait)
	defer t.Stop()
	refusal := []byte{unit, r.function | exceptionFlag}
	var got []byte
	for {
		if bytes.Contains(got, want) {
			return reply{}, true, nil
		}
		if i := bytes.Index(got, refusal); i >= 0 && len(got) >= i+5 {
			if pdu, err := parseSerial(unit, got[i:i+5]); err == nil {
				return reply{err: &Exception{Function: r.function, Code: pdu[1]}}, true, nil
			}
		}
		select {
		case c, ok := <-b.port.bytes:
			if !ok {
				return reply{}, false, b.gone(b.port.fail)
			}
			b.activity = time.Now()
			if got = append(got, c...); len(got) > 4*maxSerial {
				return reply{}, false, b.broken(fmt.Errorf("%w: the line does not fall silent", errReply))
			}
		case <-t.C:
			return reply{}, false, nil
		case <-ctx.Done():
			return reply{}, false, late(ctx, "waiting for the reply")
		}
	}
}
