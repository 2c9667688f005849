package tree

import (
	"errors"
	"fmt"
	"math/big"
	"regexp"
	"strings"
)

// Dimension is what a quantity measures.
type Dimension string

// Dimensions, each with its base unit.
const (
	DimVoltage     Dimension = "voltage"                // uV
	DimCell        Dimension = "cell voltage"           // uV, of one cell
	DimCurrent     Dimension = "current"                // uA
	DimCharge      Dimension = "charge"                 // nC (uA.ms)
	DimEnergy      Dimension = "energy"                 // uJ (mW.ms)
	DimPower       Dimension = "power"                  // mW
	DimResistance  Dimension = "resistance"             // uOhm
	DimCapacitance Dimension = "capacitance"            // nF
	DimTime        Dimension = "time"                   // us
	DimTemperature Dimension = "temperature"            // mK, absolute
	DimDifference  Dimension = "temperature difference" // mK
	DimRatio       Dimension = "ratio"                  // ppm
	DimSlew        Dimension = "rate of current"        // uA/s
	DimHeat        Dimension = "heat capacity"          // mJ/K
	DimConductance Dimension = "thermal conductance"    // mW/K
	DimInsulation  Dimension = "resistance per volt"    // mOhm/V
	DimRate        Dimension = "charge rate"            // millionths of C
	DimCount       Dimension = "count"                  // a whole number, without a unit
)

// unit is one spelling of a unit: value = number*mult + offset base units.
type unit struct {
	name   string
	mult   int64
	offset int64
}

// units lists each dimension's spellings, the one to show first; the format of
// a number picks the first that leaves at least one before the point.
var units = map[Dimension][]unit{
	DimVoltage:     {{"V", 1e6, 0}, {"mV", 1e3, 0}, {"uV", 1, 0}, {"kV", 1e9, 0}},
	DimCell:        {{"V/cell", 1e6, 0}, {"mV/cell", 1e3, 0}, {"V", 1e6, 0}, {"mV", 1e3, 0}, {"uV", 1, 0}},
	DimCurrent:     {{"A", 1e6, 0}, {"mA", 1e3, 0}, {"uA", 1, 0}},
	DimCharge:      {{"Ah", 3_600_000_000_000, 0}, {"mAh", 3_600_000_000, 0}, {"As", 1e9, 0}},
	DimEnergy:      {{"Wh", 3_600_000_000, 0}, {"kWh", 3_600_000_000_000, 0}, {"J", 1e6, 0}},
	DimPower:       {{"W", 1e3, 0}, {"kW", 1e6, 0}, {"mW", 1, 0}},
	DimResistance:  {{"Ohm", 1e6, 0}, {"mOhm", 1e3, 0}, {"uOhm", 1, 0}, {"kOhm", 1e9, 0}, {"MOhm", 1e12, 0}},
	DimCapacitance: {{"mF", 1e6, 0}, {"uF", 1e3, 0}, {"nF", 1, 0}, {"F", 1e9, 0}},
	DimTime:        {{"h", 3_600_000_000, 0}, {"min", 60_000_000, 0}, {"s", 1e6, 0}, {"ms", 1e3, 0}, {"us", 1, 0}, {"d", 86_400_000_000, 0}},
	DimTemperature: {{"degC", 1e3, 273_150}},
	DimDifference:  {{"K", 1e3, 0}, {"mK", 1, 0}},
	DimRatio:       {{"%", 1e4, 0}, {"ppm", 1, 0}},
	DimSlew:        {{"A/s", 1e6, 0}, {"A/ms", 1e9, 0}, {"mA/s", 1e3, 0}},
	DimHeat:        {{"J/K", 1e3, 0}, {"kJ/K", 1e6, 0}},
	DimConductance: {{"W/K", 1e3, 0}, {"mW/K", 1, 0}},
	DimRate:        {{"C", 1e6, 0}},
	DimInsulation:  {{"Ohm/V", 1e3, 0}, {"kOhm/V", 1e6, 0}, {"mOhm/V", 1, 0}},
}

// examples show what a right quantity looks like.
var examples = map[Dimension]string{
	DimVoltage: "86.4 V", DimCell: "3.55 V/cell", DimCurrent: "20 A", DimCharge: "40 Ah",
	DimEnergy: "3 kWh", DimPower: "5 kW", DimResistance: "1.5 mOhm", DimCapacitance: "1 mF",
	DimTime: "10 min", DimTemperature: "25 degC", DimDifference: "2 K", DimRatio: "0.3 %",
	DimSlew: "200 A/s", DimHeat: "900 J/K", DimConductance: "1.5 W/K", DimRate: "0.5 C",
	DimInsulation: "500 Ohm/V",
}

// Errors of ParseQuantity.
var (
	// ErrNotQuantity: not a number followed by a unit.
	ErrNotQuantity = errors.New("not a number with a unit")
	// ErrUnit: the unit is unknown or measures something else.
	ErrUnit = errors.New("wrong unit")
	// ErrRange: too great or too fine to be held.
	ErrRange = errors.New("out of range")
)

var (
	quantityForm = regexp.MustCompile(`^([+-]?)([0-9]+)(?:\.([0-9]+))? ?([^\s0-9.+-][^\s]*)$`)
	bareNumber   = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?$`)
)

// ParseQuantity reads "20 A" as a quantity of dimension d in base units. It
// computes in decimal: what cannot be held exactly is refused, not rounded.
func ParseQuantity(text string, d Dimension) (int64, error) {
	m := quantityForm.FindStringSubmatch(text)
	if m == nil {
		if bareNumber.MatchString(text) {
			return 0, fmt.Errorf("%q has no unit: %w", text, ErrNotQuantity)
		}
		return 0, fmt.Errorf("%q is not a number with a unit: %w", text, ErrNotQuantity)
	}
	sign, whole, fraction, name := m[1], m[2], m[3], m[4]
	if len(whole) > 1 && whole[0] == '0' {
		return 0, fmt.Errorf("%q begins with a zero: %w", text, ErrNotQuantity)
	}
	if len(whole)+len(fraction) > 30 {
		return 0, fmt.Errorf("%q has more than 30 digits: %w", text, ErrRange)
	}
	u, ok := findUnit(d, name)
	if !ok {
		return 0, unitError(text, name, d)
	}
	n, _ := new(big.Int).SetString(sign+whole+fraction, 10)
	n.Mul(n, big.NewInt(u.mult))
	ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(len(fraction))), nil)
	n, rest := n.QuoRem(n, ten, new(big.Int))
	if rest.Sign() != 0 {
		return 0, fmt.Errorf("%q is finer than can be held: %w", text, ErrRange)
	}
	n.Add(n, big.NewInt(u.offset))
	if !n.IsInt64() {
		return 0, fmt.Errorf("%q is too great: %w", text, ErrRange)
	}
	return n.Int64(), nil
}

func findUnit(d Dimension, name string) (unit, bool) {
	for _, u := range units[d] {
		if u.name == name {
			return u, true
		}
	}
	return unit{}, false
}

// unitError tells a misspelt unit from one that measures something else.
func unitError(text, name string, d Dimension) error {
	for _, u := range units[d] {
		if strings.EqualFold(u.name, name) || aliases[name] == u.name {
			return fmt.Errorf("%q: unit %q is written %q here: %w", text, name, u.name, ErrUnit)
		}
	}
	for _, other := range dimensionOrder {
		if _, ok := findUnit(other, name); ok {
			return fmt.Errorf("%q is a %s: %w", text, other, ErrUnit)
		}
	}
	return fmt.Errorf("%q: unit %q is unknown: %w", text, name, ErrUnit)
}

// aliases are spellings that people are likely to bring along.
var aliases = map[string]string{
	"Ω": "Ohm", "ohms": "Ohm", "mΩ": "mOhm", "kΩ": "kOhm", "µF": "uF", "µV": "uV", "°C": "degC",
	"C": "degC", "sec": "s", "seconds": "s", "minutes": "min", "hours": "h", "hour": "h", "days": "d",
	"Amps": "A", "percent": "%", "volts": "V", "amp-hours": "Ah", "pct": "%", "Vpc": "V/cell",
}

var dimensionOrder = []Dimension{
	DimVoltage, DimCell, DimCurrent, DimCharge, DimEnergy, DimPower, DimResistance, DimCapacitance,
	DimTime, DimTemperature, DimDifference, DimRatio, DimRate, DimSlew, DimHeat, DimConductance, DimInsulation,
}

// FormatQuantity writes a quantity as ParseQuantity reads it, exactly.
func FormatQuantity(v int64, d Dimension) string {
	list := units[d]
	if len(list) == 0 {
		return fmt.Sprint(v)
	}
	if d == DimTemperature || d == DimRatio {
		return decimal(v-list[0].offset, list[0].mult) + " " + list[0].name
	}
	// The first unit that is not greater than the value and writes it exactly;
	// the finest of each dimension always does.
	best, magnitude := list[0], max(v, -v)
	for _, u := range list {
		if v == 0 || magnitude >= u.mult && exact(v, u.mult) {
			best = u
			break
		}
		if u.mult < best.mult || !exact(v, best.mult) {
			best = u
		}
	}
	return decimal(v, best.mult) + " " + best.name
}

// places is how many decimals a quantity is written with at most.
const places = 9

func exact(v, mult int64) bool {
	n, whole := big.NewRat(v, mult), new(big.Rat)
	_, ok := whole.SetString(n.FloatString(places))
	return ok && whole.Cmp(n) == 0
}

// decimal writes v/mult without trailing zeros.
func decimal(v, mult int64) string {
	r := big.NewRat(v, mult)
	s := r.FloatString(places)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}
