package wire

import (
	"math"
	"strconv"
	"strings"
)

// quantity is what a numeric parameter measures: how many base units (uV, uA,
// us) one of each suffix is. A number without a suffix is in the unit named "".
type quantity map[string]float64

// The suffixes of IEEE 488.2, 7.7.3.4, with its traps: MV and MA are thousandths
// and MAV and MAA would be millions.
var (
	volts   = quantity{"": 1e6, "V": 1e6, "MV": 1e3, "UV": 1, "KV": 1e9}
	amperes = quantity{"": 1e6, "A": 1e6, "MA": 1e3, "UA": 1, "KA": 1e9}
	seconds = quantity{"": 1e6, "S": 1e6, "MS": 1e3, "US": 1}
)

// bounds are a numeric parameter's.
type bounds struct{ low, high, usual int64 }

// keyword returns the value of MINimum, MAXimum or DEFault.
func (b bounds) keyword(text string) (int64, bool) {
	switch strings.ToUpper(text) {
	case "MIN", "MINIMUM":
		return b.low, true
	case "MAX", "MAXIMUM":
		return b.high, true
	case "DEF", "DEFAULT":
		return b.usual, true
	}
	return 0, false
}

// number reads a numeric parameter in base units, within bounds.
func number(p param, q quantity, b bounds) (int64, *scpiError) {
	if p.kind == characterData {
		v, ok := b.keyword(p.text)
		switch strings.ToUpper(p.text) {
		case "INF", "INFINITY", "NINF", "NINFINITY", "NAN":
			return 0, fault(-222)
		}
		if !ok {
			return 0, fault(-224)
		}
		return v, nil
	}
	v, err := p.float()
	if err != nil {
		return 0, err
	}
	scale, ok := q[p.suffix]
	if !ok {
		if len(q) == 1 {
			return 0, fault(-138)
		}
		return 0, fault(-131)
	}
	v = math.Round(v * scale)
	if !(v >= float64(b.low) && v <= float64(b.high)) {
		return 0, fault(-222)
	}
	return int64(v), nil
}

// float is the number as written, without its suffix.
func (p param) float() (float64, *scpiError) {
	switch p.kind {
	case stringData:
		return 0, fault(-158)
	case blockData:
		return 0, fault(-168)
	case expressionData:
		return 0, fault(-178)
	case characterData:
		return 0, fault(-148)
	}
	// An exponent too large for a double gives an infinity, which no bounds hold.
	v, err := strconv.ParseFloat(p.text, 64)
	if err != nil && !math.IsInf(v, 0) {
		return 0, fault(-121)
	}
	return v, nil
}

// boolean reads ON, OFF or a number, which is rounded: not 0 is on (SCPI-1999
// vol. 1, 7.3).
func boolean(p param) (bool, *scpiError) {
	if p.kind == characterData {
		switch strings.ToUpper(p.text) {
		case "ON":
			return true, nil
		case "OFF":
			return false, nil
		}
		return false, fault(-224)
	}
	v, err := p.float()
	if err != nil {
		return false, err
	}
	if p.suffix != "" {
		return false, fault(-138)
	}
	return math.Round(v) != 0, nil
}

// notANumber is SCPI's answer for a value there is none of (SCPI-1999 vol. 1,
// 7.2.1.5).
const notANumber = "9.91E37"

// nr3 writes base units as NR3 response data (IEEE 488.2, 8.7.4): a mantissa with
// a point and an exponent. Nine decimals keep every microvolt of kilovolts.
func nr3(v int64, base float64) string {
	return strconv.FormatFloat(float64(v)/base, 'E', 9, 64)
}

func nr1(v int64) string { return strconv.FormatInt(v, 10) }

func truth(on bool) string {
	if on {
		return "1"
	}
	return "0"
}
