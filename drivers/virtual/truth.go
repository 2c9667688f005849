package virtual

import (
	"fmt"
	"io"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// Truth is what really is: for judges and tests, never for what decides.
type Truth struct {
	At drivers.Instant
	// Current is the module's, charging positive; Supply's flows into the link
	// (negative: drains out of it), Load's out of it.
	Current, Supply, Load drivers.Microamps
	Link                  drivers.Microvolts
	CellMax, CellMin      drivers.Microvolts // at the cells' own terminals
	MaxCell, MinCell      int
	TempMax, TempMin      drivers.Millikelvins
	// Flowing says that some true current is over Config.Zero; Since is when
	// that began, or ended.
	Flowing bool
	Since   drivers.Instant
}

// TruthLimits are limits that no true cell may leave. Zero: not watched.
type TruthLimits struct {
	CellMax, CellMin drivers.Microvolts
	TempMax          drivers.Millikelvins
	// Charge and Discharge are the greatest currents of the module, magnitudes.
	Charge, Discharge drivers.Microamps
}

// Excursion is one way in which the truth left the limits.
type Excursion struct {
	What string // cell_high, cell_low, temp_high, charge_high, discharge_high
	Cell int    // the worst cell; -1 for currents
	// Worst and Limit are in base units; First is when it began.
	Worst, Limit int64
	First        drivers.Instant
}

func (e Excursion) String() string {
	return fmt.Sprintf("%s cell=%d worst=%d limit=%d first=%d", e.What, e.Cell+1, e.Worst, e.Limit, e.First)
}

// truthKeeper follows the truth from step to step.
type truthKeeper struct {
	zero                float64 // A
	charged, discharged drivers.Span
	flowing             bool
	since               drivers.Instant
	given, limits       TruthLimits // of the file, of the article that is there
	watched             bool
	first               [5]drivers.Instant
	log                 io.Writer
	err                 error
}

func (t *truthKeeper) init(b *Bench) {
	t.zero = float64(b.cfg.Zero) / 1e6
	t.since = b.now
	t.log = b.cfg.Truth
}

// look notes what changed since the last step.
func (t *truthKeeper) look(b *Bench) {
	flowing := math.Abs(b.module.Current()) > t.zero ||
		b.plant.SupplyCurrent() > t.zero || b.plant.LoadCurrent() > t.zero
	if flowing != t.flowing {
		t.flowing, t.since = flowing, b.now
		if t.log != nil {
			t.say(b)
		}
	}
	if t.watched {
		for i, e := range t.extremes(b.plant.Worst()) {
			if e.out() && t.first[i] == never {
				t.first[i] = b.now
			}
		}
	}
}

// Truth returns the present truth.
func (b *Bench) Truth() Truth {
	m := b.module
	t := Truth{
		At:      b.now,
		Current: microamps(m.Current()), Supply: microamps(b.plant.SupplyCurrent() - b.plant.DrainCurrent()), Load: microamps(b.plant.LoadCurrent()),
		Link:    microvolts(b.plant.LinkVoltage()),
		CellMax: math.MinInt64, CellMin: math.MaxInt64,
		TempMax: math.MinInt64, TempMin: math.MaxInt64,
		Flowing: b.truth.flowing, Since: b.truth.since,
	}
	for k := range m.Len() {
		v, kelvin := microvolts(m.Voltage(k)), drivers.Millikelvins(round(float64(m.Kelvin(k)*1e3)))
		if v > t.CellMax {
			t.CellMax, t.MaxCell = v, k
		}
		if v < t.CellMin {
			t.CellMin, t.MinCell = v, k
		}
		t.TempMax, t.TempMin = max(t.TempMax, kelvin), min(t.TempMin, kelvin)
	}
	return t
}

// Plant returns the physics itself, for judges: its counters, worst values and
// module. Changing anything in it is the caller's own experiment.
func (b *Bench) Plant() *plant.Bench { return b.plant }

// ZeroSince returns since when no true current flows; false while some does.
func (b *Bench) ZeroSince() (drivers.Instant, bool) { return b.truth.since, !b.truth.flowing }

// Watch starts watching the truth against limits, from now on: those of the
// article that the file speaks of. An article that is another one is held to its
// own.
func (b *Bench) Watch(l TruthLimits) {
	b.plant.ResetWorst()
	b.truth.given, b.truth.limits, b.truth.watched = l, b.trueLimits(l), true
	for i := range b.truth.first {
		b.truth.first[i] = never
	}
}

// Watched returns the limits that the truth is held to: those of the article that
// is there.
func (b *Bench) Watched() TruthLimits { return b.truth.limits }

// Worst returns how far the truth went since Watch or the beginning.
func (b *Bench) Worst() plant.Worst { return b.plant.Worst() }

// Excursions lists in which ways the truth has left the limits since Watch. The
// instants are those of the physics' steps: a frame period apart at rest, 1 ms
// while currents change.
func (b *Bench) Excursions() []Excursion {
	var list []Excursion
	if !b.truth.watched {
		return nil
	}
	for i, e := range b.truth.extremes(b.plant.Worst()) {
		if e.out() {
			list = append(list, Excursion{e.what, e.cell, e.worst, e.limit, b.truth.first[i]})
		}
	}
	return list
}

// extreme is one worst value beside its limit.
type extreme struct {
	what         string
	cell         int
	worst, limit int64
	low          bool
}

func (e *extreme) out() bool {
	switch {
	case e.limit == 0:
		return false
	case e.low:
		return e.worst < e.limit
	}
	return e.worst > e.limit
}

func (t *truthKeeper) extremes(w plant.Worst) [5]extreme {
	l := &t.limits
	return [5]extreme{
		{"cell_high", w.VoltageMaxCell, int64(microvolts(w.VoltageMax)), int64(l.CellMax), false},
		{"cell_low", w.VoltageMinCell, int64(microvolts(w.VoltageMin)), int64(l.CellMin), true},
		{"temp_high", w.KelvinMaxCell, round(float64(w.KelvinMax * 1e3)), int64(l.TempMax), false},
		{"charge_high", -1, int64(microamps(w.ChargeMax)), int64(l.Charge), false},
		{"discharge_high", -1, int64(microamps(w.DischargeMax)), int64(l.Discharge), false},
	}
}

func microamps(x float64) drivers.Microamps   { return drivers.Microamps(round(float64(x * 1e6))) }
func microvolts(x float64) drivers.Microvolts { return drivers.Microvolts(round(float64(x * 1e6))) }

func round(x float64) int64 { return int64(math.Floor(x + 0.5)) }

// TruthLine is one line of the truth log, such as
//
//	1730000000123456 zero current=0 supply=0 load=0
//
// an instant, what changed (flowing or zero, by Config.Zero), and the true
// currents of module, supply and load in uA. Lines about faults have the word
// fault or fault-over and the fault's text.
type TruthLine struct {
	At                    drivers.Instant
	Word                  string
	Current, Supply, Load drivers.Microamps
	Text                  string // of a fault
}

// String is the line, which ParseTruthLine reads back.
func (l TruthLine) String() string {
	if l.Text != "" {
		return fmt.Sprintf("%d %s %s", l.At, l.Word, l.Text)
	}
	return fmt.Sprintf("%d %s current=%d supply=%d load=%d", l.At, l.Word, l.Current, l.Supply, l.Load)
}

// ParseTruthLine reads a line of the truth log.
func ParseTruthLine(s string) (TruthLine, error) {
	var l TruthLine
	if _, err := fmt.Sscanf(s, "%d %s", &l.At, &l.Word); err != nil {
		return l, fmt.Errorf("truth line %q: %w", s, err)
	}
	rest := ""
	if head := fmt.Sprintf("%d %s ", l.At, l.Word); len(s) > len(head) {
		rest = s[len(head):]
	}
	switch l.Word {
	case "fault", "fault-over":
		l.Text = rest
	case "flowing", "zero":
		if _, err := fmt.Sscanf(rest, "current=%d supply=%d load=%d", &l.Current, &l.Supply, &l.Load); err != nil {
			return l, fmt.Errorf("truth line %q: %w", s, err)
		}
	default:
		return l, fmt.Errorf("truth line %q: word %q is none of flowing, zero, fault, fault-over", s, l.Word)
	}
	return l, nil
}

// TruthErr returns the first error of writing the truth log: a judge must not
// take a log that stopped for a bench that is off.
func (b *Bench) TruthErr() error { return b.truth.err }

func (t *truthKeeper) say(b *Bench) {
	word := "zero"
	if t.flowing {
		word = "flowing"
	}
	t.write(TruthLine{At: b.now, Word: word, Current: microamps(b.module.Current()),
		Supply: microamps(b.plant.SupplyCurrent() - b.plant.DrainCurrent()), Load: microamps(b.plant.LoadCurrent())})
}

// note writes a line about a fault.
func (t *truthKeeper) note(at drivers.Instant, word, text string) {
	if t.log != nil {
		t.write(TruthLine{At: at, Word: word, Text: text})
	}
}

func (t *truthKeeper) write(l TruthLine) {
	if _, err := fmt.Fprintln(t.log, l); err != nil && t.err == nil {
		t.err = fmt.Errorf("truth log: %w", err)
	}
}
