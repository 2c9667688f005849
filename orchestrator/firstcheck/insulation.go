package firstcheck

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Insulation is a measurement of the insulation resistance with a voltmeter and
// a known resistor, after UN Regulation No. 100, revision 2, annex 4B or the
// component test of the same shape (ISO 6469-1 describes the same method).
type Insulation struct {
	// Total is the voltage across the terminals; Negative that between the
	// negative pole and ground, Positive that between the positive pole and
	// ground, both as magnitudes.
	Total, Negative, Positive drivers.Microvolts
	// Inserted is the known resistor that was then put between ground and the
	// pole which read more, and After what that pole read with it.
	Inserted drivers.Microohms
	After    drivers.Microvolts
	// Accuracy is the voltmeter's, Meter its input resistance.
	Accuracy drivers.Accuracy
	Meter    drivers.Microohms
	// Working is the greatest working voltage of the module, and Least what is
	// demanded for each volt of it, in mOhm: 100 Ohm/V for a d.c. circuit.
	Working drivers.Microvolts
	Least   int64
}

// meterLeast is the least input resistance of the voltmeter that the method
// asks for: 10 MOhm.
const meterLeast drivers.Microohms = 10_000_000_000_000

// Resistance returns the insulation resistance of the worse side and the least
// and the greatest that the meter's accuracy leaves, in Ohm: Ri = Ro Vb (1/V' -
// 1/V). The meter's own resistance is in both readings and drops out.
func (m *Insulation) Resistance() (value, least, most float64) {
	before := m.before()
	at := func(total, before, after float64) float64 {
		if after <= 0 {
			return math.Inf(1)
		}
		return max(0, float64(m.Inserted)/1e6*total*(1/after-1/before))
	}
	e := func(v drivers.Microvolts) float64 { return float64(m.Accuracy.At(int64(v))) }
	t, b, f := float64(m.Total), float64(before), float64(m.After)
	return at(t, b, f), at(t-e(m.Total), b-e(before), f+e(m.After)), at(t+e(m.Total), b+e(before), f-e(m.After))
}

func (m *Insulation) before() drivers.Microvolts { return max(m.Negative, m.Positive) }

// limit is what a meter of that resistance can see at all, in Ohm: a leak is
// read as the current that it lets through the meter.
func (m *Insulation) limit() float64 {
	unseen := float64(m.Accuracy.At(0))
	return float64(m.Meter) / 1e6 * (float64(m.Total)/unseen - 1)
}

// Check judges the measurement. A measurement that failed is never a pass: an
// unchanged reading says that the resistor had no contact.
func (m *Insulation) Check() (Finding, error) {
	switch {
	case m.Total <= 0 || m.Working < m.Total || m.Negative < 0 || m.Positive < 0 || m.After < 0:
		return Finding{}, fmt.Errorf("insulation: voltages of %v, %v, %v and %v at a working voltage of %v; magnitudes, and a working voltage of at least the total, would be right",
			m.Total, m.Negative, m.Positive, m.After, m.Working)
	case m.Meter < meterLeast:
		return Finding{}, fmt.Errorf("insulation: a voltmeter of %v Ohm; at least 10 MOhm would be right (UN R100)", float64(m.Meter)/1e6)
	case m.Least <= 0:
		return Finding{}, fmt.Errorf("insulation: nothing is demanded; 100 Ohm/V or more would be right (UN R100)")
	}
	need := float64(m.Least) / 1e3 * float64(m.Working) / 1e6
	pole, again := "negative", "Measure again. "+noTouch
	if m.Positive > m.Negative {
		pole = "positive"
	}
	before := m.before()
	noise := drivers.Microvolts(m.Accuracy.At(int64(before)))
	switch {
	case m.Negative+m.Positive > m.Total+3*drivers.Microvolts(m.Accuracy.At(int64(m.Total))):
		return Finding{InsulationFailed, Unproven, nil,
			fmt.Sprintf("the poles read %v and %v to ground, more than the %v between them", m.Negative, m.Positive, m.Total), again}, nil
	case before <= 4*noise && m.Inserted == 0:
		return m.beyond(need), nil
	case m.Inserted <= 0:
		return Finding{}, fmt.Errorf("insulation: no resistor was inserted; a known one between the %s pole and ground would be right", pole)
	case before-m.After <= 2*noise:
		return Finding{InsulationFailed, Unproven, nil,
			fmt.Sprintf("the %s pole reads %v with the resistor and %v without: it had no contact, so nothing was measured", pole, m.After, before), again}, nil
	case m.After <= noise:
		return Finding{InsulationFailed, Unproven, nil,
			fmt.Sprintf("the %s pole reads %v with the resistor, too little to compute with", pole, m.After),
			fmt.Sprintf("Take a resistor nearer to %.0f kOhm and measure again. %s", need/1e3, noTouch)}, nil
	}
	return m.judge(need), nil
}

// beyond is a module whose poles read nothing to ground.
func (m *Insulation) beyond(need float64) Finding {
	what := fmt.Sprintf("both poles read next to nothing to ground: at least %s, which is all that this meter can tell", ohms(m.limit()))
	if m.limit() < need {
		return Finding{InsulationOpen, Unproven, nil, what, "Measure with a meter of higher resistance or accuracy."}
	}
	return Finding{InsulationFits, Good, nil, what, "Check that the ground lead has contact (the meter between ground and a known source), then go on."}
}

func (m *Insulation) judge(need float64) Finding {
	value, least, most := m.Resistance()
	what := fmt.Sprintf("insulation resistance %.4g kOhm (%.4g to %.4g), %.4g Ohm/V; demanded are %.4g kOhm", value/1e3, least/1e3, most/1e3,
		value/(float64(m.Working)/1e6), need/1e3)
	switch {
	case least >= need:
		return Finding{InsulationFits, Good, nil, what, "Go on."}
	case most < need:
		return Finding{InsulationLow, Stop, nil, what,
			"Do not touch the housing and do not connect the module. Look for damaged sheets, welding debris and moisture, and measure again. " + noTouch}
	}
	return Finding{InsulationOpen, Unproven, nil, what + ": the meter is not exact enough to tell", "Measure with a better meter. " + noTouch}
}

// ohms writes a great resistance in the unit that suits it.
func ohms(r float64) string {
	for _, u := range []struct {
		of   float64
		name string
	}{{1e9, "GOhm"}, {1e6, "MOhm"}} {
		if r >= u.of {
			return fmt.Sprintf("%.3g %s", r/u.of, u.name)
		}
	}
	return fmt.Sprintf("%.3g kOhm", r/1e3)
}
