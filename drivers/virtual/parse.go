package virtual

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// param is one key of a fault's text: it writes and reads a field.
type param struct {
	key string
	get func(*Fault) string
	set func(*Fault, string) error
	// check reports a field that no text could have given.
	check func(*Fault) error
	// number and put are those of a number in base units, most the greatest.
	number func(*Fault) int64
	put    func(*Fault, int64)
	most   int64
}

// number makes a param of an integer field with an inclusive range.
func number[T ~int64](key string, q quantity, lo, hi int64, at func(*Fault) *T) param {
	return param{
		key: key,
		get: func(f *Fault) string { return q.format(int64(*at(f))) },
		set: func(f *Fault, s string) error {
			v, err := q.parse(s)
			if err != nil {
				return err
			}
			*at(f) = T(v)
			return nil
		},
		check: func(f *Fault) error {
			if v := int64(*at(f)); v < lo || v > hi {
				return fmt.Errorf("%s is out of range; %s to %s is possible", q.format(v), q.format(lo), q.format(hi))
			}
			return nil
		},
		number: func(f *Fault) int64 { return int64(*at(f)) },
		put:    func(f *Fault, v int64) { *at(f) = T(v) },
		most:   hi,
	}
}

// place makes a param of a position: from one in text, from zero in the field.
func place(key string, at func(*Fault) *int) param {
	return param{
		key: key,
		get: func(f *Fault) string {
			if *at(f) == Anywhere {
				return "any"
			}
			return strconv.Itoa(*at(f) + 1)
		},
		set: func(f *Fault, s string) error {
			if s == "any" {
				*at(f) = Anywhere
				return nil
			}
			n, err := strconv.ParseUint(s, 10, 15)
			if err != nil || n == 0 {
				return fmt.Errorf("%q is not a position; write 1 for the first, or any", s)
			}
			*at(f) = int(n) - 1
			return nil
		},
		check: func(f *Fault) error {
			if *at(f) < Anywhere || *at(f) >= 1<<15 {
				return fmt.Errorf("%d is not a position", *at(f))
			}
			return nil
		},
	}
}

// word makes a param of one of some words.
func word[T comparable](key string, at func(*Fault) *T, names []string, values []T) param {
	return param{
		key: key,
		get: func(f *Fault) string {
			if i := slices.Index(values, *at(f)); i >= 0 {
				return names[i]
			}
			return fmt.Sprintf("(%v)", *at(f))
		},
		set: func(f *Fault, s string) error {
			i := slices.Index(names, s)
			if i < 0 {
				return fmt.Errorf("%q is none of %s", s, strings.Join(names, ", "))
			}
			*at(f) = values[i]
			return nil
		},
		check: func(f *Fault) error {
			if !slices.Contains(values, *at(f)) {
				return fmt.Errorf("%v is none of %s", *at(f), strings.Join(names, ", "))
			}
			return nil
		},
	}
}

var params = []param{
	place("cell", func(f *Fault) *int { return &f.Cell }),
	place("sensor", func(f *Fault) *int { return &f.Sensor }),
	word("device", func(f *Fault) *Device { return &f.Device },
		[]string{"supply", "load", "box", "monitor", "meter"},
		[]Device{DeviceSupply, DeviceLoad, DeviceBox, DeviceMonitor, DeviceMeter}),
	word("contactor", func(f *Fault) *drivers.Contactors { return &f.Contactor },
		[]string{"negative", "precharge", "positive"},
		[]drivers.Contactors{drivers.BoxNegative, drivers.BoxPrecharge, drivers.BoxPositive}),
	number("offset", quantityVoltage, -1e9, 1e9, func(f *Fault) *drivers.Microvolts { return &f.Voltage }),
	number("drift", quantityDrift, -1e9, 1e9, func(f *Fault) *drivers.Microvolts { return &f.Drift }),
	number("current", quantityCurrent, -1e9, 1e9, func(f *Fault) *drivers.Microamps { return &f.Current }),
	number("gain", quantityRatio, -1e6, 1e6, func(f *Fault) *int64 { return &f.GainPPM }),
	number("temp", quantityTemperature, -1e6, 1e6, func(f *Fault) *drivers.Millikelvins { return &f.Temp }),
	number("resistance", quantityResistance, 1, 1e12, func(f *Fault) *drivers.Microohms { return &f.Resistance }),
	number("power", quantityPower, 0, 1e7, func(f *Fault) *int64 { return &f.PowerMW }),
	number("delay", quantitySpan, 0, int64(lateMax), func(f *Fault) *drivers.Span { return &f.Delay }),
	number("rate", quantityRatio, 0, 1e6, func(f *Fault) *int64 { return &f.RatePPM }),
	number("share", quantityRatio, 0, 1e6, func(f *Fault) *int64 { return &f.SharePPM }),
	number("noise", quantityVoltage, 0, 1e9, func(f *Fault) *drivers.Microvolts { return &f.Voltage }),
	number("limit", quantityCurrent, 0, 1e9, func(f *Fault) *drivers.Microamps { return &f.Current }),
	number("gain-drift", quantityGainDrift, -1e6, 1e6, func(f *Fault) *int64 { return &f.GainDrift }),
	number("step", quantitySpan, -int64(year), int64(year), func(f *Fault) *drivers.Span { return &f.Delay }),
	number("more", quantityCount, -64, 64, func(f *Fault) *int64 { return &f.Count }),
	word("chemistry", func(f *Fault) *string { return &f.Chemistry }, chemistries, chemistries),
	number("soc", quantityRatio, 0, 1e6, func(f *Fault) *int64 { return &f.SoCPPM }),
	number("size", quantityRatio, -950_000, 9_000_000, func(f *Fault) *int64 { return &f.GainPPM }),
	number("tighter", quantityVoltage, 0, 2e6, func(f *Fault) *drivers.Microvolts { return &f.Voltage }),
	number("bounce", quantitySpan, 0, int64(drivers.Second), func(f *Fault) *drivers.Span { return &f.Delay }),
}

func paramOf(key string) *param {
	if key == duration.key {
		return &duration
	}
	for i := range params {
		if params[i].key == key {
			return &params[i]
		}
	}
	return nil
}

// lateMax bounds how late frames can be: the bench keeps that many. year bounds
// triggers and durations.
const (
	lateMax = 30 * drivers.Second
	year    = 366 * 24 * drivers.Hour
)

var (
	moments  = []string{string(AfterStart), string(AfterCharging), string(AfterDischarging), string(AfterPrecharge)}
	duration = number("for", quantitySpan, 0, int64(year), func(f *Fault) *drivers.Span { return &f.For })
	waiting  = number("", quantitySpan, 0, int64(year), func(f *Fault) *drivers.Span { return &f.When.Span })
)

// ParseFault reads a fault's text: its name, then key=value pairs in any
// order, as in
//
//	tap-reads-low cell=7 offset=-80mV after=2h
//
// What is not given has the default of its kind. One of the keys after,
// charging, discharging and precharge says when the fault begins, for how long
// it lasts. Whether the bench has such a cell or sensor, New checks.
func ParseFault(s string) (Fault, error) {
	words := strings.Fields(s)
	if len(words) == 0 {
		return Fault{}, fmt.Errorf("fault: empty; write a name such as %s", catalogue[0].Name)
	}
	info, ok := lookup(FaultKind(words[0]))
	if !ok {
		return Fault{}, fmt.Errorf("fault %q: unknown; the nearest name is %s", words[0], nearest(words[0]))
	}
	f := info.Default
	var seen []string
	for _, w := range words[1:] {
		key, value, ok := strings.Cut(w, "=")
		if !ok {
			return Fault{}, fmt.Errorf("fault %s: %q is not key=value", info.Name, w)
		}
		class := key
		if slices.Contains(moments, key) {
			class = "the moment it begins"
		}
		if slices.Contains(seen, class) {
			return Fault{}, fmt.Errorf("fault %s: %s is given twice", info.Name, class)
		}
		seen = append(seen, class)
		if err := info.assign(&f, key, value); err != nil {
			return Fault{}, fmt.Errorf("fault %s: %w", info.Name, err)
		}
	}
	if err := f.check(); err != nil {
		return Fault{}, fmt.Errorf("fault %s: %w", info.Name, err)
	}
	return f, nil
}

// assign sets one key of f.
func (info *FaultInfo) assign(f *Fault, key, value string) error {
	p := paramOf(key)
	switch {
	case slices.Contains(moments, key):
		f.When.On, p = Moment(key), &waiting
	case key == duration.key:
		p = &duration
	case p == nil || !slices.Contains(info.Params, key):
		known := slices.Concat(info.Params, moments, []string{duration.key})
		return fmt.Errorf("unknown key %q; it knows %s", key, strings.Join(known, ", "))
	}
	if err := p.set(f, value); err != nil {
		return fmt.Errorf("%s: %w", key, err)
	}
	return nil
}

// check refuses parameters that mean nothing.
func (f *Fault) check() error {
	info, ok := lookup(f.Kind)
	if !ok {
		return fmt.Errorf("unknown fault")
	}
	if !slices.Contains(moments, string(f.When.On)) {
		return fmt.Errorf("moment %q is none of %s", f.When.On, strings.Join(moments, ", "))
	}
	if err := waiting.check(f); err != nil {
		return fmt.Errorf("%s: %w", f.When.On, err)
	}
	if err := duration.check(f); err != nil {
		return fmt.Errorf("for: %w", err)
	}
	for _, key := range info.Params {
		if err := paramOf(key).check(f); err != nil {
			return fmt.Errorf("%s: %w", key, err)
		}
	}
	if slices.Contains(readsCurrent, f.Kind) && f.Device == DeviceMeter {
		return fmt.Errorf("device: the meter reads no current")
	}
	return nil
}

// readsCurrent are the faults of a current reading.
var readsCurrent = []FaultKind{CurrentOffset, CurrentGain, CurrentReversed, CurrentSaturates}

// String is the fault's text, which ParseFault reads back.
func (f Fault) String() string {
	var b strings.Builder
	b.WriteString(string(f.Kind))
	info, _ := lookup(f.Kind)
	for _, key := range info.Params {
		fmt.Fprintf(&b, " %s=%s", key, paramOf(key).get(&f))
	}
	fmt.Fprintf(&b, " %s=%s", f.When.On, waiting.get(&f))
	if f.For != 0 {
		fmt.Fprintf(&b, " for=%s", duration.get(&f))
	}
	return b.String()
}

// nearest returns the fault name that shares most letter pairs with s.
func nearest(s string) string {
	best, most := catalogue[0].Name, -1
	for _, c := range catalogue {
		n := 0
		for i := 0; i+2 <= len(s); i++ {
			if strings.Contains(c.Name, s[i:i+2]) {
				n++
			}
		}
		if n > most {
			best, most = c.Name, n
		}
	}
	return best
}

// MarshalText is String, so that a Config travels as JSON.
func (f Fault) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText is ParseFault.
func (f *Fault) UnmarshalText(text []byte) (err error) {
	*f, err = ParseFault(string(text))
	return err
}
