package bdf_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
)

func dataset(t *testing.T, name string) *bdf.Report {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "..", "shared", "datasets", name))
	if errors.Is(err, os.ErrNotExist) {
		t.Skipf("the open dataset %s is not beside the project", name)
	}
	require.NoError(t, err)
	defer f.Close()
	r, err := bdf.Read(name, f)
	require.NoError(t, err)
	return r
}

func step(t *testing.T, r *bdf.Report, id string) bdf.Step {
	t.Helper()
	for _, s := range r.Steps {
		if s.ID == id {
			return s
		}
	}
	require.Fail(t, "no such step", id)
	return bdf.Step{}
}

// Rate test of one pouch cell by SINTEF (CC BY 4.0), as carried in the Battery
// Data Format repository; figures computed independently from the same file.
func TestPouchRateTest(t *testing.T) {
	r := dataset(t, "pouch_rate_25degC.bdf.csv")
	assert.Equal(t, int64(4912), r.Rows)
	assert.Zero(t, r.BadRows)
	for _, x := range []struct {
		id, kind                 string
		current, seconds, ah, wh float64
		mOhm                     float64 // 10 s from rest
	}{
		{"4", bdf.Discharge, -0.6538, 40084.88, -7.27973, -28.1929, 6.575},
		{"6", bdf.Charge, 0, 12116.46, 7.29490, 28.5932, 0},
		{"8", bdf.Discharge, -6.5496, 3987.15, -7.25390, -27.7817, 6.397},
		{"10", bdf.Charge, 0, 12063.68, 7.26476, 28.4858, 0},
		{"12", bdf.Discharge, -13.1005, 1988.92, -7.23772, -27.4663, 6.305},
		{"14", bdf.Charge, 0, 12033.25, 7.24751, 28.4240, 0},
		{"16", bdf.Discharge, -32.7504, 792.68, -7.21130, -26.8263, 6.076},
		{"19", bdf.Charge, 0, 11969.92, 7.20962, 28.2995, 0},
		{"21", bdf.Discharge, -59.4579, 435.51, -7.19296, -26.1919, 5.715},
	} {
		s := step(t, r, x.id)
		assert.Equal(t, x.kind, s.Kind, x.id)
		assert.InDelta(t, x.seconds, s.Seconds, 0.006, x.id)
		assert.InEpsilon(t, x.ah, s.Charge, 1e-5, x.id)
		assert.InEpsilon(t, x.wh, s.Energy, 1e-5, x.id)
		if x.current != 0 {
			assert.InEpsilon(t, x.current, s.MeanCurrent, 1e-4, x.id)
			assert.True(t, s.R10.OK, s.R10.Reason)
			assert.InEpsilon(t, x.mOhm, s.R10.MilliOhm, 5e-4, x.id)
			assert.Less(t, s.Charge, -6.55, "step %s reaches the rated capacity", x.id)
		}
	}
	// Rows were thinned: most steps say why they have no 1 s resistance.
	assert.Equal(t, "no row near that time: the rows around it lie 0.055 s and 8.7 s after the edge", step(t, r, "8").R1.Reason)
	assert.Equal(t, "no row before the step: its edge is not known", step(t, r, "1").R10.Reason)

	want := [][2]float64{{99.4379, 97.1619}, {99.6278, 96.4213}, {99.5004, 94.3791}, {99.7689, 92.5525}}
	var good []bdf.Pair
	for _, p := range r.Pairs {
		if p.OK {
			good = append(good, p)
		}
	}
	require.Len(t, good, 4)
	for i, p := range good {
		assert.InDelta(t, want[i][0], p.Coulombic, 1e-3)
		assert.InDelta(t, want[i][1], p.Energy, 1e-3)
		assert.InEpsilon(t, p.Energy/p.Coulombic*100, p.Voltage, 1e-12)
	}
	assert.Equal(t, "the state before the charge is not known", r.Pairs[0].Reason)
	assert.InDelta(t, 1.002617, r.Peukert, 5e-6)
}

// A slow cycle with the instrument's own counters, same source: the integral
// agrees with what the instrument counted, over two resets in mid-step.
func TestIntegralAgainstTheInstrumentsCounter(t *testing.T) {
	r := dataset(t, "cell_C30_with_counters.bdf.csv")
	s := step(t, r, "2")
	assert.InDelta(t, 3.802153, s.Charge, 1e-6)
	require.NotNil(t, s.Counter)
	assert.InDelta(t, 3.802155, s.Counter.Charge, 1e-9)
	assert.InEpsilon(t, s.Counter.Charge, s.Charge, 1e-6)
	assert.InDelta(t, 0.036651, step(t, r, "3").Charge, 1e-6)
	assert.InDelta(t, 0.036613, step(t, r, "3").Counter.Charge, 1e-9)

	s = step(t, r, "5")
	assert.InDelta(t, -3.855170, s.Charge, 1e-6)
	assert.InDelta(t, -3.855172, s.Counter.Charge, 1e-9)
	assert.Equal(t, 2, s.Counter.Resets)
	assert.InDelta(t, -3.716034, s.Counter.Last, 1e-9)
	// The extract repeats a time stamp at two places within a step and at the
	// two resets; at a step's edge equal times are two states, and both count.
	assert.Equal(t, int64(4), r.BadRows)
	assert.Equal(t, "cell_C30_with_counters.bdf.csv:1175: duplicate time", r.Bad[2].At)
	assert.Equal(t, int64(2251), r.Rows)
}

func read(t *testing.T, text string) *bdf.Report {
	t.Helper()
	r, err := bdf.Read("f.bdf.csv", strings.NewReader(text))
	require.NoError(t, err)
	return r
}

// The smallest valid file, printed in the format's own README.
func TestMinimalFile(t *testing.T) {
	r := read(t, "Test Time / s,Voltage / V,Current / A\n0,3.7,0.1\n1,3.6,0.1\n2,3.5,0.1\n")
	require.Len(t, r.Steps, 1)
	s := r.Steps[0]
	assert.Equal(t, bdf.Charge, s.Kind)
	assert.InDelta(t, 0.2/3600, s.Charge, 1e-15)
	assert.InDelta(t, 0.72/3600, s.Energy, 1e-15)
	assert.Equal(t, []float64{3.7, 3.5, 2, 0.1}, []float64{s.StartVoltage, s.EndVoltage, s.Seconds, s.MeanCurrent})
}

func TestHeaderIsForgiving(t *testing.T) {
	want := read(t, "Test Time / s,Voltage / V,Current / A\n0,3.7,1\n10,3.6,1\n").Steps[0]
	for name, text := range map[string]string{
		"order":       "Current / A,Ambient Pressure / Pa,Test Time / s,Voltage / V\n1,25,0,3.7\n1,25,10,3.6\n",
		"mark, CRLF":  "\ufeffTest Time / s,Voltage / V,Current / A\r\n0,3.7,1\r\n10,3.6,1\r\n",
		"quotes":      "\"Test Time / s\",\"Voltage / V\",\"Current / A\"\n\"0\",\"3.7\",\"1\"\n 10 , 3.6 , \"1\" \n",
		"machine":     "test_time_second,voltage_volt,current_ampere\n0,3.7,1\n10,3.6,1\n",
		"deprecated":  "test_time_millisecond,Voltage / V,Current / A\n0,3.7,1\n10000,3.6,1\n",
		"no last end": "Test Time / s,Voltage / V,Current / A\n0,3.7,1\n10,3.6,1",
		"empty line":  "Test Time / s,Voltage / V,Current / A\n0,3.7,1\n10,3.6,1\n\n",
		"exponents":   "Test Time / s,Voltage / V,Current / A\n0e0,37e-1,+1\n1E1,3.6,1.0\n",
	} {
		r := read(t, text)
		require.Len(t, r.Steps, 1, name)
		assert.Equal(t, want, r.Steps[0], name)
		assert.Zero(t, r.BadRows, name)
	}
	r := read(t, "test_time_millisecond,Voltage / V,Current / A\n0,3.7,1\n")
	assert.Equal(t, []string{`label "test_time_millisecond" is deprecated; "Test Time / s" is preferred`}, r.Notes[:1])
}

func TestNotATable(t *testing.T) {
	for text, want := range map[string]string{
		"":                               "f.bdf.csv: the file is empty",
		"Test Time / s,Voltage / V\n0,1": `f.bdf.csv:1: no column "Current / A" among the 2 of the first line`,
		"0,3.7,1\n":                      `no column "Test Time / s"`,
		"Test Time / s,Voltage / V,Current / A,voltage_volt\n": `f.bdf.csv:1: column 4 ("voltage_volt") repeats column 2`,
		strings.Repeat("x", 3<<20):                             "the first line is longer than",
	} {
		_, err := bdf.Read("f.bdf.csv", strings.NewReader(text))
		assert.ErrorContains(t, err, want)
	}
	_, err := bdf.Read("f.bdf.csv", io.MultiReader(strings.NewReader("Test Time / s,Voltage / V,Current / A\n0,3,1\n"), iotest.ErrReader(io.ErrClosedPipe)))
	assert.ErrorIs(t, err, io.ErrClosedPipe)
	assert.ErrorContains(t, err, "f.bdf.csv:2")
}

// Each bad row is named with its line and reason, and the integral is what it
// would be had the row never been there.
func TestBadRowsAreNamedAndLeftOut(t *testing.T) {
	for row, reason := range map[string]string{
		"15,n/a,1":                              `voltage "n/a" is not a number`,
		"15,,1":                                 `voltage "" is not a number`,
		"15,3.65,NaN":                           `current "NaN" is not finite`,
		"15,+Inf,1":                             `voltage "+Inf" is not finite`,
		"15,1e999,1":                            `voltage "1e999" is not finite`,
		"15,3e38,1":                             `voltage "3e38" is absurd`,
		"15,3.65,-3.4e38":                       `current "-3.4e38" is absurd`,
		"1e30,3.65,1":                           `time "1e30" is absurd`,
		"15,3.65":                               "2 columns instead of 3",
		"15,3.65,1,7":                           "4 columns instead of 3",
		"5,3.65,1":                              "time goes backwards",
		"-1,3.65,1":                             "time goes backwards",
		"10,3.65,1":                             "duplicate time",
		"99999,3.65,1":                          "time runs ahead of the rows that follow",
		`15,"3.65,1`:                            "2 columns instead of 3",
		"15;3.65;1":                             "1 columns instead of 3",
		"15," + strings.Repeat("9", 60) + ",1":  `voltage "999999999999999999999999..." is absurd`,
		"15,3.65," + strings.Repeat("1", 2<<20): "longer than 1048576 bytes",
	} {
		text := "Test Time / s,Voltage / V,Current / A\n0,3.7,1\n10,3.6,1\n" + row + "\n20,3.5,1\n30,3.4,1\n40,3.3,1\n"
		r := read(t, text)
		name := row[:min(len(row), 30)]
		if assert.Equal(t, int64(1), r.BadRows, name) {
			assert.Equal(t, bdf.Bad{Line: 4, Reason: reason, At: "f.bdf.csv:4: " + reason}, r.Bad[0], name)
		}
		require.Len(t, r.Steps, 1, name)
		assert.InDelta(t, 40.0/3600, r.Steps[0].Charge, 1e-15, name)
		assert.InDelta(t, 140.0/3600, r.Steps[0].Energy, 1e-15, name)
		assert.Equal(t, int64(5), r.Rows, name)
	}
}

func TestManyBadRowsAreCounted(t *testing.T) {
	var b strings.Builder
	b.WriteString("Test Time / s,Voltage / V,Current / A\n0,3.7,1\n")
	for range 5000 {
		b.WriteString("x,y,z\n")
	}
	r := read(t, b.String())
	assert.Equal(t, int64(5000), r.BadRows)
	assert.Len(t, r.Bad, 100)
}

// Steps by the current, where the file does not count them.
func TestStepsByCurrent(t *testing.T) {
	r := read(t, "Test Time / s,Voltage / V,Current / A\n0,3.3,0\n10,3.3,0\n20,3.4,5\n30,3.45,5\n40,3.5,4.5\n50,3.5,4.1\n60,3.4,0\n70,3.3,-2\n80,3.2,-2\n90,3.1,-8\n100,3.0,-8\n")
	var kinds []string
	for _, s := range r.Steps {
		kinds = append(kinds, s.Kind)
		assert.Empty(t, s.ID)
	}
	assert.Equal(t, []string{bdf.Rest, bdf.Charge, bdf.Rest, bdf.Discharge, bdf.Discharge}, kinds)
	assert.Contains(t, r.Notes, "no step column: steps are told apart by the current")
	// Within a step the record index restarts.
	r = read(t, "Step Record Index / 1,Test Time / s,Voltage / V,Current / A\n1,0,3.3,0\n2,10,3.3,0\n1,20,3.4,5\n2,30,3.45,5\n1,40,3.45,5\n")
	assert.Len(t, r.Steps, 3)
}

// A step of 10 A on 2 mOhm that ramps over the given time, sampled at 20 Hz.
func ramped(rise float64) string {
	var b strings.Builder
	b.WriteString("Test Time / s,Voltage / V,Current / A,Step Count / 1\n")
	for k := range 300 {
		t := float64(k) * 0.05
		s, i := 1, 0.0
		if t > 1 {
			s, i = 2, -10*math.Min(1, (t-1)/rise)
		}
		fmt.Fprintf(&b, "%.3f,%.6f,%.6f,%d\n", t, 3.3+i*2e-3-1e-4*math.Max(0, t-1-rise/2), i, s)
	}
	return b.String()
}

// t = 0 is where the current crosses half its step; a slow rise refuses the
// short time and not the long one.
func TestResistanceStartsAtHalfTheEdge(t *testing.T) {
	s := read(t, ramped(0.1)).Steps[1]
	require.True(t, s.R1.OK, s.R1.Reason)
	assert.InDelta(t, 2+1e-4*1/10*1000, s.R1.MilliOhm, 1e-6)
	require.True(t, s.R10.OK, s.R10.Reason)
	assert.InDelta(t, 2+1e-4*10/10*1000, s.R10.MilliOhm, 1e-6)

	s = read(t, ramped(0.6)).Steps[1]
	assert.Equal(t, "the current took up to 0.5 s to rise, over a tenth of 1 s", s.R1.Reason)
	assert.True(t, s.R10.OK, s.R10.Reason)
	assert.InDelta(t, 2+1e-4*10/10*1000, s.R10.MilliOhm, 1e-6)
}

func TestResistanceIsRefusedWithAReason(t *testing.T) {
	head := "Test Time / s,Voltage / V,Current / A,Step Count / 1\n0,3.3,0,1\n0.99,3.3,0,1\n1,3.25,-10,2\n"
	for rows, want := range map[string]string{
		"2,3.24,-10,2\n":                 "the step has no row 10 s after its edge: it lasted 1.01 s",
		"2,3.24,-10,2\n11,3.24,-4,2\n":   "the current did not hold after the edge",
		"2,3.24,-10,2\n25,3.2,-10,2\n":   "no row near that time: the rows around it lie 1 s and 24 s after the edge",
		"2,3.34,-10,2\n11,3.34,-10,2\n":  "the voltage did not follow the current",
		"2,3.24,-10,2\n10.9,3.2,-10,3\n": "the step has no row 10 s after its edge: it lasted 1.01 s",
	} {
		assert.Equal(t, want, read(t, head+rows).Steps[1].R10.Reason, rows)
	}
}

func TestPairsCompareOnlyEqualEnds(t *testing.T) {
	text := "Test Time / s,Voltage / V,Current / A,Step Count / 1\n" +
		"0,3.0,2,1\n3600,4.1,2,1\n3600,4.0,-2,2\n7200,3.0,-2,2\n" + // from an unknown state
		"7200,3.1,2,3\n10800,4.1,2,3\n10800,4.0,-2,4\n14220,3.02,-2,4\n" + // back to 3.0 V
		"14220,3.1,2,5\n17820,4.1,2,5\n17820,4.0,-2,6\n19000,3.6,-2,6\n" // stopped half way
	r := read(t, text)
	require.Len(t, r.Pairs, 3)
	assert.False(t, r.Pairs[0].OK)
	assert.True(t, r.Pairs[1].OK)
	assert.InDelta(t, 95, r.Pairs[1].Coulombic, 1e-9)
	assert.Equal(t, []int{3}, r.Pairs[1].Charge)
	assert.Equal(t, "the discharge before ended at 3.02 V, this one at 3.6 V: the end states differ", r.Pairs[2].Reason)
	_, err := json.Marshal(r)
	assert.NoError(t, err)
}

// Peukert's law with a known exponent: published worked examples, recomputed to
// all digits: C = 250 Ah, I = 20 A, k = 1.3 last 5.088631644 h.
func TestPeukertExponent(t *testing.T) {
	const c, k = 250.0, 1.3
	assert.InDelta(t, 5.088631644, c/math.Pow(20, k), 5e-10)
	var b strings.Builder
	b.WriteString("Test Time / s,Voltage / V,Current / A,Step Count / 1\n")
	now := 0.0
	for n, i := range []float64{5, 20, 60} {
		h := c / math.Pow(i, k)
		fmt.Fprintf(&b, "%.6f,3.6,%g,%d\n%.6f,2.8,%g,%d\n", now, -i, 2*n, now+h*3600, -i, 2*n)
		now += h*3600 + 1
		fmt.Fprintf(&b, "%.6f,3.3,0,%d\n", now, 2*n+1)
		now++
	}
	assert.InDelta(t, k, read(t, b.String()).Peukert, 1e-8)
}

// A reader that is fed one byte at a time sees the same file.
func TestReadInPieces(t *testing.T) {
	text := ramped(0.1)
	whole := read(t, text)
	bits, err := bdf.Read("f.bdf.csv", iotest.OneByteReader(strings.NewReader(text)))
	require.NoError(t, err)
	assert.Equal(t, whole, bits)
}

// A file of one full discharge and many pulses had an exponent of -0.67: pulses are
// no discharges at other currents.
func TestPulsesHaveNoPeukertExponent(t *testing.T) {
	var b strings.Builder
	b.WriteString("Test Time / s,Voltage / V,Current / A,Step Count / 1\n0,3.3,-20,1\n7200,3.0,-20,1\n")
	for k := range 6 {
		at := 8000 + 100*k
		fmt.Fprintf(&b, "%d,3.2,%d,%d\n%d,3.01,%d,%d\n", at, -40+5*k, k+2, at+10+7*k, -40+5*k, k+2)
	}
	assert.Zero(t, read(t, b.String()).Peukert)
}

// On a flat curve two discharges end at one voltage and at different states: a pulse
// and a long discharge had an efficiency of 7058 %.
func TestAnImpossibleReturnIsNoEfficiency(t *testing.T) {
	text := "Test Time / s,Voltage / V,Current / A,Step Count / 1\n" +
		"0,3.30,-20,1\n3600,3.25,-20,1\n3610,3.3,20,2\n3620,3.3,20,2\n3630,3.29,-20,3\n5060,3.22,-20,3\n"
	r := read(t, text)
	require.Len(t, r.Pairs, 1)
	assert.False(t, r.Pairs[0].OK)
	assert.Equal(t, "1.43e+04 % of the charge came out again: the end states differ", r.Pairs[0].Reason)
}

// What a shunt wanders by between two rests gave 6.5 Ohm: it is no step of current.
func TestWanderingAtRestIsNoStep(t *testing.T) {
	var b strings.Builder
	b.WriteString("Test Time / s,Voltage / V,Current / A,Step Count / 1\n0,3.3,-20,1\n100,3.2,-20,1\n")
	for k, i := range []float64{0.009, 0.010} {
		for s := range 20 {
			fmt.Fprintf(&b, "%d.1,%g,%g,%d\n", 100+20*k+s, 3.25+0.001*float64(s), i, k+2)
		}
	}
	s := read(t, b.String()).Steps[2]
	assert.Equal(t, bdf.Rest, s.Kind)
	for _, x := range s.Resistances {
		assert.False(t, x.OK, "%g s", x.After)
	}
	assert.Equal(t, "the current does not step at the step's edge", at(t, s, 5).Reason)
}
