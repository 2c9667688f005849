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
	limits TripwireLimits
	bounds []bound
	// watched holds the history of each bound's channel. While calm, nothing is
	// written there: all of them were inside at good.
	watched []watch
	calm    bool
	good    drivers.Instant

	beat  int   // position of the monitor's counter, -1 without a monitor
	last  int32 // what the counter showed
	moved drivers.Instant
}

// bound is what a channel's counts may be; no reading is outside every bound.
type bound struct{ at, low, high int32 }

// watch is what the slow path knows of a channel.
type watch struct {
	scale        drivers.Scale
	lower, upper int64           // the bound in base units
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
	t := &Tripwire{limits: limits, beat: layout.Find(drivers.MonitorBeat), last: drivers.NoReading, moved: now, calm: true, good: now}
	if t.beat < 0 && layout.Cells() > 0 {
		return nil, errors.New("tripwire: the layout has no monitor counter; without one a dead monitor cannot be told from a steady one")
	}
	for i, c := range layout.Channels {
		w := watch{scale: c.Scale, lower: noLower}
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
		b := bound{at: int32(i), low: drivers.NoReading + 1, high: c.Scale.CountAtOrBelow(w.upper)}
		if w.lower != noLower {
			b.low = c.Scale.CountAtOrAbove(w.lower)
		}
		t.bounds, t.watched = append(t.bounds, b), append(t.watched, w)
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
	if t.beat < 0 { // no monitor here: whoever has it watches its counter
		t.moved = f.At
	} else if beat := f.Counts[t.beat]; beat != t.last && beat != drivers.NoReading {
		t.last, t.moved = beat, f.At
	}
	b, hit := t.bound(f)
	if quiet := f.At.Sub(t.moved); !hit && quiet > t.limits.Silence {
		return t.silence(t.beat, quiet), true
	}
	return b, hit
}

// bound judges all bounded channels; while all are inside it only compares.
func (t *Tripwire) bound(f *drivers.Frame) (found Breach, hit bool) {
	inside := true
	for i := range t.bounds {
		b := &t.bounds[i]
		if c := f.Counts[b.at]; c < b.low || c > b.high {
			inside = false
			break
		}
	}
	if inside {
		t.calm, t.good = true, f.At
		return Breach{}, false
	}
	t.stir()
	for i := range t.watched {
		if b, ok := t.look(i, f); ok && !hit {
			found, hit = b, true
		}
	}
	return found, hit
}

// stir writes down the history that calm stood for.
func (t *Tripwire) stir() {
	if !t.calm {
		return
	}
	t.calm = false
	for i := range t.watched {
		t.watched[i].seen, t.watched[i].over = t.good, false
	}
}

// look judges one channel of a frame.
func (t *Tripwire) look(i int, f *drivers.Frame) (Breach, bool) {
	w, bound := &t.watched[i], t.bounds[i]
	at, count := int(bound.at), f.Counts[bound.at]
	if count == drivers.NoReading {
		// A limit that was exceeded before stays exceeded: no reading is no
		// relief (INV-02).
		if quiet := f.At.Sub(w.seen); quiet > t.limits.Silence {
			return t.silence(at, quiet), true
		}
		if !w.over {
			return Breach{}, false
		}
	} else {
		w.seen = f.At
		if count >= bound.low && count <= bound.high {
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
		return t.silence(at, f.At.Sub(w.seen)), true
	case count < bound.low:
		return Breach{Channel: at, Value: w.scale.Value(count), Limit: w.lower}, true
	}
	return Breach{Channel: at, Value: w.scale.Value(count), Limit: w.upper}, true
}

// silence reports a channel, or with -1 the frame, that gives nothing new.
func (t *Tripwire) silence(channel int, quiet drivers.Span) Breach {
	return Breach{Channel: channel, Value: int64(quiet), Limit: int64(t.limits.Silence), Unknown: true}
}

// Missing is called instead of Check where a frame failed to come.
func (t *Tripwire) Missing(now drivers.Instant) (Breach, bool) {
	t.stir()
	for i := range t.watched {
		if w := &t.watched[i]; w.over && now.Sub(w.since) >= t.limits.Persistence {
			return t.silence(int(t.bounds[i].at), now.Sub(w.seen)), true
		}
	}
	if quiet := now.Sub(t.moved); quiet > t.limits.Silence {
		return t.silence(-1, quiet), true
	}
	return Breach{}, false
}
