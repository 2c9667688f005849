package virtual

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"
)

// unit is one way to write a quantity: one of it is worth base base units.
type unit struct {
	text string
	base int64
}

// quantity is a kind of parameter. The units stand from the largest to the
// smallest; the first that gives a whole number is the one that is printed.
type quantity struct {
	what  string
	units []unit
}

var (
	quantitySpan = quantity{"a length of time", []unit{
		{"h", 3_600_000_000}, {"min", 60_000_000}, {"s", 1_000_000}, {"ms", 1000}, {"us", 1}}}
	quantityVoltage = quantity{"a voltage", []unit{
		{"V", 1_000_000}, {"mV", 1000}, {"uV", 1}}}
	quantityDrift = quantity{"a drift", []unit{
		{"V/h", 1_000_000}, {"mV/h", 1000}, {"uV/h", 1}}}
	quantityCurrent = quantity{"a current", []unit{
		{"A", 1_000_000}, {"mA", 1000}, {"uA", 1}}}
	quantityTemperature = quantity{"a temperature difference", []unit{
		{"K", 1000}, {"mK", 1}}}
	quantityResistance = quantity{"a resistance", []unit{
		{"kOhm", 1_000_000_000}, {"Ohm", 1_000_000}, {"mOhm", 1000}, {"uOhm", 1}}}
	quantityPower = quantity{"a power", []unit{
		{"kW", 1_000_000}, {"W", 1000}, {"mW", 1}}}
	quantityRatio = quantity{"a ratio", []unit{
		{"%", 10_000}, {"ppm", 1}}}
	quantityCount = quantity{"a number", []unit{
		{"", 1}}}
	quantityGainDrift = quantity{"a drift of gain", []unit{
		{"%/h", 10_000}, {"ppm/h", 1}}}
)

// longest bounds a number's text, so that no input makes big arithmetic of it.
const longest = 24

// parse reads a number with its unit into whole base units.
func (q quantity) parse(s string) (int64, error) {
	n := len(s)
	for i, r := range s {
		if (r < '0' || r > '9') && r != '.' && (i > 0 || r != '-' && r != '+') {
			n = i
			break
		}
	}
	number, text := s[:n], s[n:]
	if n > longest {
		return 0, fmt.Errorf("%q is too long for a number", number)
	}
	for _, u := range q.units {
		if u.text != text {
			continue
		}
		r, ok := new(big.Rat).SetString(number)
		if !ok {
			return 0, fmt.Errorf("%q is not a number", number)
		}
		r.Mul(r, big.NewRat(u.base, 1))
		if !r.IsInt() {
			return 0, fmt.Errorf("%q is finer than one %s", s, q.units[len(q.units)-1].text)
		}
		if !r.Num().IsInt64() {
			return 0, fmt.Errorf("%q is out of range", s)
		}
		return r.Num().Int64(), nil
	}
	return 0, fmt.Errorf("%q is not %s; write it as %s", s, q.what, q.example())
}

func (q quantity) example() string {
	var names []string
	for _, u := range q.units {
		names = append(names, "12"+u.text)
	}
	return strings.Join(names, ", ")
}

// format is parse's inverse.
func (q quantity) format(v int64) string {
	last := q.units[len(q.units)-1]
	if v == 0 {
		// The middle unit reads better than 0us.
		return "0" + q.units[len(q.units)/2].text
	}
	for _, u := range q.units {
		if v%u.base == 0 {
			return strconv.FormatInt(v/u.base, 10) + u.text
		}
	}
	return strconv.FormatInt(v, 10) + last.text
}
