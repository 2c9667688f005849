package virtual

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// Range is the sensible magnitudes of one numeric parameter, both ends
// included. They spread over decades: a draw is even in their logarithm, so that
// small faults, which nobody notices, are as likely as large ones.
type Range struct {
	Key             string
	Least, Greatest int64 // in the parameter's base unit, over zero
	Per             Per   // what one of the base unit is counted per
	Signed          bool  // the value may be of either sign
	Optional        bool  // the value may also be zero
}

// Per is what a range grows with.
type Per string

// Scales of ranges.
const (
	PerNothing Per = ""
	PerAmpere  Per = "1 C"    // per ampere of the article's rated current, 1 C
	PerPeriod  Per = "period" // in millionths of the monitor's period
)

func between(key string, least, greatest int64) Range {
	return Range{Key: key, Least: least, Greatest: greatest}
}

func signed(key string, least, greatest int64) Range {
	return Range{Key: key, Least: least, Greatest: greatest, Signed: true}
}

func (r Range) optional() Range  { r.Optional = true; return r }
func (r Range) perAmpere() Range { r.Per = PerAmpere; return r }
func (r Range) perPeriod() Range { r.Per = PerPeriod; return r }

// On returns the range in base units alone, on a bench with an article of the
// rated capacity, cut to what a Fault can carry.
func (r Range) On(b *drivers.Bench, rated drivers.Charge) Range {
	factor := 1.0
	switch r.Per {
	case PerAmpere:
		factor = float64(rated) / 3600e9 // nC an hour are 1/3600e9 A
	case PerPeriod:
		factor = float64(b.Monitor.Period) / 1e6
	}
	r.Per = PerNothing
	scale := func(v int64) int64 {
		return max(1, min(round(float64(float64(v)*factor)), paramOf(r.Key).most))
	}
	r.Least, r.Greatest = scale(r.Least), scale(r.Greatest)
	return r
}

// draw draws from a range in base units.
func (r Range) draw(rand *plant.Rand) int64 {
	zero, minus := rand.IntN(2) == 0, rand.IntN(2) == 0
	u := rand.Float64()
	if r.Optional && zero {
		return 0
	}
	span := float64(u * plant.Log(float64(r.Greatest)/float64(r.Least)))
	v := min(max(round(float64(float64(r.Least)*plant.Exp(span))), r.Least), r.Greatest)
	if r.Signed && minus {
		return -v
	}
	return v
}

// Draw draws a fault of this kind: its place on the bench, its device or
// contactor and its magnitudes. The trigger is the default's, and so is For
// unless Ranges tell of it: when a fault strikes is the campaign's to draw.
func (info FaultInfo) Draw(rand *plant.Rand, b *drivers.Bench, rated drivers.Charge) Fault {
	f := info.Default
	for _, key := range info.Params {
		switch key {
		case "cell":
			n := b.Monitor.Cells
			if f.Kind == TapsSwapped {
				n--
			}
			f.Cell = rand.IntN(max(1, n))
		case "sensor":
			f.Sensor = rand.IntN(max(1, b.Monitor.Temps))
		case "chemistry":
			f.Chemistry = chemistries[rand.IntN(len(chemistries))]
		case "device":
			d := info.devices(b)
			f.Device = d[rand.IntN(len(d))]
		case "contactor":
			f.Contactor = 1 << rand.IntN(3)
		}
	}
	for _, r := range info.Ranges {
		f, _ = f.With(r.Key, r.On(b, rated).draw(rand))
	}
	return f
}

// devices are those that a bench has and the fault can strike.
func (info FaultInfo) devices(b *drivers.Bench) []Device {
	if b.Box.CurrentStep > 0 || !slices.Contains(readsCurrent, info.Default.Kind) {
		return info.Devices
	}
	return slices.DeleteFunc(slices.Clone(info.Devices), func(d Device) bool { return d == DeviceBox })
}

// Variants are what a table of single faults must have of this kind on a bench:
// the default magnitude, in both directions where the value may be of either
// sign, at each device or contactor. The default comes first.
func (info FaultInfo) Variants(b *drivers.Bench) []Fault {
	list := []Fault{info.Default}
	add := func(f Fault) {
		if !slices.Contains(list, f) {
			list = append(list, f)
		}
	}
	for _, r := range info.Ranges {
		if v, _ := info.Default.Value(r.Key); r.Signed && v != 0 {
			f, _ := info.Default.With(r.Key, -v)
			add(f)
		}
	}
	for _, f := range slices.Clone(list) {
		for _, d := range info.devices(b) {
			f.Device = d
			add(f)
		}
		if slices.Contains(info.Params, "contactor") {
			for _, c := range []drivers.Contactors{drivers.BoxNegative, drivers.BoxPrecharge, drivers.BoxPositive} {
				f.Contactor = c
				add(f)
			}
		}
	}
	return list
}

// Fits says whether a bench has what the fault strikes.
func (info FaultInfo) Fits(b *drivers.Bench) bool {
	switch {
	case slices.Contains(info.Params, "sensor"):
		return b.Monitor.Temps > 0
	case info.Default.Kind == TapsSwapped:
		return b.Monitor.Cells > 1
	case info.Default.Kind == BleedStuck, info.Default.Kind == BleedOpen:
		return b.Monitor.Bleed > 0
	}
	return true
}

// With returns the fault with a numeric parameter changed, by its key in the
// fault's text; false where the kind has no such parameter, or it cannot be v.
func (f Fault) With(key string, v int64) (Fault, bool) {
	info, ok := lookup(f.Kind)
	p := paramOf(key)
	if !ok || p == nil || p.put == nil || key != duration.key && !slices.Contains(info.Params, key) {
		return f, false
	}
	g := f
	p.put(&g, v)
	return g, p.check(&g) == nil
}

// Value returns a numeric parameter by its key, in base units; false where the
// kind has none of that name.
func (f Fault) Value(key string) (int64, bool) {
	info, ok := lookup(f.Kind)
	p := paramOf(key)
	if !ok || p == nil || p.number == nil || key != duration.key && !slices.Contains(info.Params, key) {
		return 0, false
	}
	return p.number(&f), true
}
