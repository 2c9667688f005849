package host

import (
	"errors"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// TripwireLimits are the absolute limits that the host enforces by itself, in
// base units: the cell maker's absolute ones, outside everything the guard
// works with.
type TripwireLimits struct {
	CellMax, CellMin drivers.Microvolts
	TempMax          drivers.Millikelvins
	// CurrentMax is a magnitude and holds in both directions, for the monitor's
	// shunt and for the box's own sensor.
	CurrentMax drivers.Microamps
	// Persistence is how long a limit must be exceeded; 0: one frame is enough.
	Persistence drivers.Span
	// Silence is how long a channel may give no reading, a frame may fail to
	// come, or the monitor's counter may stand still (INV-02).
	Silence drivers.Span
}

// Breach is what the tripwire found in a frame.
type Breach struct {
	// Channel is the position in the layout, -1 where the whole frame is missing.
	Channel int
	// Value and Limit are in the channel's base unit. Unknown says that there
	// was no value: no reading, a counter that stands still, no frame. Limit is
	// then the silence allowed, in us, and Value how long it has lasted.
	Value, Limit int64
	Unknown      bool
}

// Tripwire checks frames against absolute limits, compiled into counts and
// rounded to the safe side. It is pure and allocates nothing per frame.
type Tripwire struct {
	limits  TripwireLimits
	watched []watch
	beat    int   // position of the monitor's counter
	last    int32 // what the counter showed
	moved   drivers.Instant
}

// watch is one channel under the tripwire.
type watch struct {
	at           int
	scale        drivers.Scale
	low, high    int32           // the least and the greatest count allowed
	lower, upper int64           // the same in base units
	seen         drivers.Instant // when it last gave a reading
	since        drivers.Instant // since when it is beyond a limit
	over         bool            // since is meant
}

// noLower stands for "no lower limit".
const noLower = math.MinInt64

// NewTripwire compiles the limits for a bench's layout and begins to watch at
// now: silence counts from there. It refuses limits that cannot be meant.
func NewTripwire(layout *drivers.Layout, limits TripwireLimits, now drivers.Instant) (*Tripwire, error) {
	if err := limits.Check(); err != nil {
		return nil, err
	}
	t := &Tripwire{limits: limits, beat: layout.Find(drivers.MonitorBeat), last: drivers.NoReading, moved: now}
	if t.beat < 0 {
		return nil, errors.New("tripwire: the layout has no monitor counter; without one a dead monitor cannot be told from a steady one")
	}
	for i, c := range layout.Channels {
		w := watch{at: i, scale: c.Scale, lower: noLower, seen: now}
		switch c.Kind {
		case drivers.CellVoltage:
			w.lower, w.upper = int64(limits.CellMin), int64(limits.CellMax)
		case drivers.Temperature:
			w.upper = int64(limits.TempMax)
		case drivers.ModuleCurrent, drivers.BoxCurrent:
			w.lower, w.upper = -int64(limits.CurrentMax), int64(limits.CurrentMax)
		default:
			continue
		}
		w.low, w.high = drivers.NoReading+1, c.Scale.CountAtOrBelow(w.upper)
		if w.lower != noLower {
			w.low = c.Scale.CountAtOrAbove(w.lower)
		}
		t.watched = append(t.watched, w)
	}
	return t, nil
}

// Check refuses limits that cannot be meant, naming all that is wrong.
func (l TripwireLimits) Check() error {
	var wrong []error
	bad := func(format string, a ...any) { wrong = append(wrong, fmt.Errorf("tripwire: "+format, a...)) }
	if l.CellMin < 0 || l.CellMax <= l.CellMin {
		bad("cells from %d uV to %d uV; the upper limit must lie above the lower, and that not under 0", l.CellMin, l.CellMax)
	}
	if l.TempMax <= 0 {
		bad("temperature up to %d mK; it is absolute and above 0", l.TempMax)
	}
	if l.CurrentMax <= 0 {
		bad("current up to %d uA; it is a magnitude above 0", l.CurrentMax)
	}
	if l.Persistence < 0 {
		bad("persistence %d us; 0 or more would be right", l.Persistence)
	}
	if l.Silence <= 0 {
		bad("silence %d us; above 0 would be right", l.Silence)
	}
	return errors.Join(wrong...)
}

// Check looks at one frame and returns the first breach in it whose
// persistence is over. Frames come in order of f.At and follow the layout.
func (t *Tripwire) Check(f *drivers.Frame) (Breach, bool) {
	var found Breach
	var any bool
	for i := range t.watched {
		if b, ok := t.look(&t.watched[i], f); ok && !any {
			found, any = b, true
		}
	}
	if beat := f.Counts[t.beat]; beat != t.last && beat != drivers.NoReading {
		t.last, t.moved = beat, f.At
	}
	if quiet := f.At.Sub(t.moved); quiet > t.limits.Silence && !any {
		return t.silence(t.beat, quiet), true
	}
	return found, any
}

// look judges one channel of a frame.
func (t *Tripwire) look(w *watch, f *drivers.Frame) (Breach, bool) {
	count := f.Counts[w.at]
	if count == drivers.NoReading {
		// A limit that was exceeded before stays exceeded: no reading is no
		// relief (INV-02).
		if quiet := f.At.Sub(w.seen); quiet > t.limits.Silence {
			return t.silence(w.at, quiet), true
		}
		if !w.over {
			return Breach{}, false
		}
	} else {
		w.seen = f.At
		if count >= w.low && count <= w.high {
			w.over = false
			return Breach{}, false
		}
		if !w.over {
			w.over, w.since = true, f.At
		}
	}
	switch {
	case f.At.Sub(w.since) < t.limits.Persistence:
		return Breach{}, false
	case count == drivers.NoReading:
		return t.silence(w.at, f.At.Sub(w.seen)), true
	case count < w.low:
		return Breach{Channel: w.at, Value: w.scale.Value(count), Limit: w.lower}, true
	}
	return Breach{Channel: w.at, Value: w.scale.Value(count), Limit: w.upper}, true
}

func (t *Tripwire) silence(channel int, quiet drivers.Span) Breach {
	return Breach{Channel: channel, Value: int64(quiet), Limit: int64(t.limits.Silence), Unknown: true}
}

// Missing is called instead of Check where a frame failed to come.
func (t *Tripwire) Missing(now drivers.Instant) (Breach, bool) {
	for i := range t.watched {
		if w := &t.watched[i]; w.over && now.Sub(w.since) >= t.limits.Persistence {
			return t.silence(w.at, now.Sub(w.seen)), true
		}
	}
	if quiet := now.Sub(t.moved); quiet > t.limits.Silence {
		return t.silence(-1, quiet), true
	}
	return Breach{}, false
}
