package drivers

import "strconv"

// String gives the voltage for people, to a millivolt.
func (v Microvolts) String() string { return decimal(int64(v), 1000) + " V" }

// String gives the current for people, to a milliampere.
func (i Microamps) String() string { return decimal(int64(i), 1000) + " A" }

// String gives the temperature difference or absolute temperature in kelvins.
func (t Millikelvins) String() string { return decimal(int64(t), 1) + " K" }

// String gives the charge for people, to a milliampere-hour.
func (q Charge) String() string { return decimal(int64(q), int64(AmpereHour/1000)) + " Ah" }

// String gives the energy for people, to a milliwatt-hour.
func (e Energy) String() string { return decimal(int64(e), int64(WattHour/1000)) + " Wh" }

// String gives the time for people: milliseconds under ten seconds, else
// seconds.
func (d Span) String() string {
	if -10*Second < d && d < 10*Second {
		return decimal(int64(d), 1) + " ms"
	}
	return decimal(int64(d), int64(Millisecond)) + " s"
}

// decimal prints v/unit thousandths with three decimals, rounded to nearest.
func decimal(v, unit int64) string {
	sign := ""
	if v < 0 {
		v, sign = -v, "-"
	}
	n := (v + unit/2) / unit
	frac := strconv.FormatInt(n%1000+1000, 10)[1:]
	return sign + strconv.FormatInt(n/1000, 10) + "." + frac
}
