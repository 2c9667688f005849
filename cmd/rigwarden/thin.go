package main

import "github.com/rigwarden/rigwarden/drivers"

// thinner leaves frames out of an export, so that a reader's integrals still
// come out: the first and the last frame of a step stay, and both sides of
// every change of current that the instrument can tell for certain.
type thinner struct {
	every   drivers.Span
	current int // position, -1: none
	channel drivers.Channel

	fresh  bool            // the next frame is the first of its step
	at     drivers.Instant // of the frame written last
	count  int32           // its current
	held   drivers.Frame   // the latest frame that was left out, if has
	has    bool
	before drivers.Frame
	out    [2]*drivers.Frame
}

func newThinner(l *drivers.Layout, every drivers.Span) *thinner {
	t := &thinner{every: every, current: l.Find(drivers.ModuleCurrent), fresh: true, count: drivers.NoReading}
	if t.current >= 0 {
		t.channel = l.Channels[t.current]
	}
	return t
}

// next takes a frame and returns those to write now, valid until the next call.
func (t *thinner) next(f *drivers.Frame) []*drivers.Frame {
	moved := t.moved(f)
	if !t.fresh && !moved && f.At.Sub(t.at) < t.every {
		t.held.At, t.held.Counts, t.has = f.At, append(t.held.Counts[:0], f.Counts...), true
		return nil
	}
	out := t.out[:0]
	if moved && t.has { // the side before the change
		t.before, t.held = t.held, t.before
		out = append(out, &t.before)
	}
	t.fresh, t.has, t.at = false, false, f.At
	if t.current >= 0 {
		t.count = f.Counts[t.current]
	}
	return append(out, f)
}

// moved says that the current differs from the one written last by more than
// both readings' declared errors.
func (t *thinner) moved(f *drivers.Frame) bool {
	if t.current < 0 || t.count == drivers.NoReading || f.Counts[t.current] == drivers.NoReading {
		return false
	}
	then, now := t.channel.Scale.Value(t.count), t.channel.Scale.Value(f.Counts[t.current])
	return max(now-then, then-now) > t.channel.Accuracy.At(then)+t.channel.Accuracy.At(now)
}

// rest ends a step and returns its last frame, if that was left out.
func (t *thinner) rest() []*drivers.Frame {
	t.fresh = true
	if !t.has {
		return nil
	}
	t.has = false
	return append(t.out[:0], &t.held)
}
