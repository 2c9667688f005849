package qualify_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// The worked example at every time that its 30 s and 10 s pulses reach
// (computed from the formula); 0.1 s is over at a period of 100 ms.
func TestResistanceAtEveryTime(t *testing.T) {
	p := pulsePlan(t, bench(5, 2, 100*drivers.Millisecond))
	p.Code[1].Drive.Span = 30 * drivers.Second
	p.Code[2].Drive.Span = 10 * drivers.Second
	r := newRig(t, p)
	showPulses(r, true, 1)
	f := r.a.Finish()
	for name, want := range map[string]float64{
		"resistance_1s": 1.539465560, "resistance_2s": 1.754467023, "resistance_10s": 2.215808859,
		"resistance_18s": 2.362273121, "resistance_30s": 2.527633203, "resistance_10s_charge": 2.273056840,
	} {
		cells := f.Cells(name)
		require.Len(t, cells, 5, name)
		assert.InEpsilon(t, want, cells[3].Value, 1e-5, name)
		assert.Equal(t, qualify.OK, cells[3].Status, cells[3].Reason)
		require.NotNil(t, cells[3].Temperature)
		assert.InDelta(t, 25, *cells[3].Temperature, 1e-9)
	}
	_, reached := f.Find("module_resistance_18s_charge")
	assert.False(t, reached, "a pulse of 10 s is not asked for 18 s")
	assert.InEpsilon(t, 5*1.241513338, find(t, f, "module_resistance_0.1s").Value, 2e-5)
}

// At ten frames a second the shortest time is 1 s; the shorter one says why.
func TestShortestTimeOfATenHertzMonitor(t *testing.T) {
	b := bench(5, 2, 100*drivers.Millisecond)
	b.Monitor.Skew, b.Monitor.Window = 5*drivers.Millisecond, 10*drivers.Millisecond
	p := pulsePlan(t, b)
	p.Code[1].Drive.Span = 30 * drivers.Second
	r := newRig(t, p)
	showPulses(r, true, 1)
	f := r.a.Finish()
	assert.Contains(t, f.Notes, "with a reading every 0.1 s, the shortest time of a resistance is 1 s")
	_, told := f.Find("module_resistance_0.1s")
	assert.False(t, told)
	assert.Empty(t, f.Cells("resistance_0.1s"))
	assert.Equal(t, qualify.OK, find(t, f, "module_resistance_1s").Status)
}

// Pulse power capability of the worked example between 3.0 and 4.2 V: 830.816749
// W out at 30 s and 923.866030 W in at 10 s for each cell (computed).
func TestPulsePowerOfTheWorkedExample(t *testing.T) {
	p := pulsePlan(t, bench(5, 2, 100*drivers.Millisecond))
	p.Limits.CellMin, p.Limits.CellMax = 3_000_000, 4_200_000
	r := newRig(t, p)
	showPulses(r, true, 1)
	f := r.a.Finish()
	out := find(t, f, "pulse_power_30s")
	assert.InEpsilon(t, 5*830.816749, out.Value, 2e-5)
	assert.Equal(t, qualify.OK, out.Status, out.Reason)
	assert.Contains(t, out.Detail, "reaches 3 V at 277 A; extrapolated from 100 A")
	assert.InEpsilon(t, 5*923.866030, find(t, f, "pulse_power_10s_charge").Value, 2e-5)

	// One cell of 1.4 times the resistance decides: its current, everybody's voltage.
	p = pulsePlan(t, bench(5, 2, 100*drivers.Millisecond))
	p.Limits.CellMin, p.Limits.CellMax = 3_000_000, 4_200_000
	r = newRig(t, p)
	showPulses(r, true, 1.4)
	i := 0.7 / (1.4 * 2.527633203e-3)
	assert.InEpsilon(t, i*(5*3.7-i*5.4*2.527633203e-3), find(t, r.a.Finish(), "pulse_power_30s").Value, 2e-5)
}

// A declared coefficient brings a cold module's resistance to 25 degC: at 18.3
// degC and -1 %/K it is 1.0675 times as high (arithmetic); what the coefficient
// is not known by, 0.3 %/K over 6.75 K, rules the interval.
func TestResistanceCorrectedForTemperature(t *testing.T) {
	b := bench(5, 2, 100*drivers.Millisecond)
	p := pulsePlan(t, b)
	r := newRigWith(t, p, qualify.Corrected(qualify.Coefficient{PerKelvin: -0.01, Within: 0.003}))
	r.temps[0], r.temps[1] = 18, 18.5
	showPulses(r, true, 1)
	f := r.a.Finish()
	m := find(t, f, "module_resistance_10s")
	assert.Equal(t, qualify.OK, m.Status, m.Reason)
	assert.InEpsilon(t, 5*2.215808859/1.0675, m.Value, 1e-5)
	assert.Contains(t, m.Detail, "corrected to 25 degC")
	assert.Equal(t, 25.0, *m.Temperature)
	assert.InEpsilon(t, m.Value*0.003*6.75/1.0675*gum.Level, m.U, 0.02)
	assert.Equal(t, "temperature coefficient", m.Budget[0].Source)

	// Sensors 4 K apart: each cell may be 2 K off the mean.
	r = newRigWith(t, p, qualify.Corrected(qualify.Coefficient{PerKelvin: -0.01}))
	r.temps[0], r.temps[1] = 23, 27
	showPulses(r, true, 1)
	m = find(t, r.a.Finish(), "module_resistance_10s")
	assert.Equal(t, qualify.OK, m.Status, m.Reason)
	assert.InEpsilon(t, m.Value*0.01*2*gum.Level, m.U, 0.02)
	// Further apart than that, no correction holds.
	r = newRigWith(t, p, qualify.Corrected(qualify.Coefficient{PerKelvin: -0.01}))
	r.temps[0], r.temps[1] = 19, 31
	showPulses(r, true, 1)
	assert.Contains(t, find(t, r.a.Finish(), "module_resistance_10s").Reason, "too far for a correction")
}

// A joint adds a constant, a weak cell a factor: both raise the resistance, and
// only the growth during the pulse tells them apart. Siblings scatter by 2 %.
func TestJointIsToldFromACell(t *testing.T) {
	scales := []float64{1.00, 0.98, 1.02, 1.01, 0.99, 1, 1, 1}
	for name, c := range map[string]struct{ joint, factor, constant float64 }{
		"joint": {0.3, 1, 0.3}, "weak cell": {0, 1.2, 0},
	} {
		r := newRig(t, pulsePlan(t, bench(8, 2, 100*drivers.Millisecond)))
		i, edge := 0.0, 0.0
		set := func(at float64) {
			for k := range r.cells {
				s := scales[k]
				if k == 5 {
					s = c.factor
				}
				r.cells[k] = 3.7
				if i != 0 {
					r.cells[k] += i * stepOhms(at-edge) * s
				}
			}
			if k := 5; i != 0 {
				r.cells[k] += i * c.joint * 1e-3
			}
		}
		set(0)
		r.show(0)
		r.begin(1, 1)
		r.run(drivers.Second, func(float64) float64 { return 0 })
		i = -100
		r.now = r.now.Add(1)
		set(0)
		r.show(i)
		r.run(12*drivers.Second, func(at float64) float64 { set(at); return i })
		i = 0
		r.run(drivers.Second, func(float64) float64 { set(0); return 0 })
		r.end("time")
		f := r.a.Finish()
		worst := find(t, f, qualify.JointExcess)
		want := c.joint + (c.factor-1)*1000*stepOhms(0.1)
		assert.InDelta(t, want, worst.Value, 0.02, name)
		assert.Contains(t, worst.Detail, "cell 6 over its siblings'", name)
		assert.Less(t, worst.U, worst.Value, name)
		assert.Contains(t, worst.Detail, "its siblings scatter by ", name)
		var constant, factor float64
		_, err := fmtScan(worst.Detail, &constant, &factor)
		require.NoError(t, err, worst.Detail)
		assert.InDelta(t, c.constant, constant, 0.02, name)
		assert.InDelta(t, c.factor, factor, 0.02, name)
		assert.Len(t, f.Cells(qualify.JointExcess), 8)
		assert.False(t, math.IsNaN(worst.U))
	}
}
