package bdf_test

import (
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
)

const epoch drivers.Instant = 1_790_000_000_123_456

func layout(t *testing.T, temps int) (*drivers.Bench, *drivers.Layout) {
	t.Helper()
	b := &drivers.Bench{
		Name: "slip 2",
		Monitor: drivers.MonitorSpec{
			Cells: 4, Temps: temps, Period: 100 * drivers.Millisecond, CellStep: 100, TempStep: 100, CurrentStep: 1000,
		},
		Supply: drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Load:   drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Box:    drivers.BoxSpec{LinkStep: 1000}, Meter: drivers.MeterSpec{VoltageStep: 1000},
	}
	l, err := b.Layout()
	require.NoError(t, err)
	return b, l
}

// exported runs charge, rest, discharge pulse and rest past an analyser and the
// writers of the module and of its second cell.
func exported(t *testing.T) (f *qualify.Figures, module, cell []byte) {
	t.Helper()
	b, l := layout(t, 6)
	kinds := []string{"rest", "charge", "rest", "discharge", "rest"}
	var steps []machine.Step
	for _, k := range kinds {
		steps = append(steps, machine.Step{Label: k, Kind: k})
	}
	a := qualify.New(&machine.Plan{Module: "KW-01", Bench: *b, Layout: *l, Steps: steps, Series: 4, Rated: 40 * drivers.AmpereHour})
	var mb, cb bytes.Buffer
	mw, err := bdf.NewWriter(&mb, l)
	require.NoError(t, err)
	cw, err := bdf.NewCellWriter(&cb, l, 1)
	require.NoError(t, err)

	frame := drivers.Frame{At: epoch, Counts: make([]int32, len(l.Channels))}
	show := func(i, v float64) {
		for k := range l.Cells() {
			frame.Counts[l.Cell(k)] = int32(math.Round(v * 1e4))
		}
		for k := range l.Temps() {
			frame.Counts[l.Temp(k)] = int32(2981 + k)
		}
		frame.Counts[l.Find(drivers.ModuleCurrent)] = int32(math.Round(i * 1000))
		frame.Counts[l.Find(drivers.ModuleVoltage)] = int32(math.Round(4 * v * 1000))
		frame.Counts[l.Find(drivers.MonitorBeat)]++
		a.Frame(&frame)
		require.NoError(t, mw.Frame(&frame))
		require.NoError(t, cw.Frame(&frame))
	}
	show(0, 3.3)
	currents := []float64{0, 20, 0, -40, 0}
	for k, i := range currents {
		a.Record(frame.At, machine.Record{Kind: machine.RecordStep, Step: k, Pass: 1})
		if k > 0 {
			mw.Step()
			cw.Step()
		}
		for n := range 200 {
			frame.At = frame.At.Add(100*drivers.Millisecond + drivers.Span(n%7)*1000)
			show(i, 3.3+i*1.5e-3+float64(n)*i*1e-6)
		}
		a.Record(frame.At, machine.Record{Kind: machine.RecordEnd, Text: "time"})
	}
	require.NoError(t, mw.Flush())
	require.NoError(t, cw.Flush())
	assert.Zero(t, mw.Left)
	return a.Finish(), mb.Bytes(), cb.Bytes()
}

// What was written is read back with the same figures.
func TestExportReadsBack(t *testing.T) {
	f, module, cell := exported(t)
	m, err := bdf.Read("m", bytes.NewReader(module))
	require.NoError(t, err)
	c, err := bdf.Read("c", bytes.NewReader(cell))
	require.NoError(t, err)
	assert.Zero(t, m.BadRows+c.BadRows)
	require.Len(t, m.Steps, 5)
	require.Len(t, f.Steps, 5)
	for k, s := range f.Steps {
		r := m.Steps[k]
		assert.Equal(t, []string{"rest", "charge", "rest", "discharge", "rest"}[k], r.Kind)
		assert.InDelta(t, s.Charge, r.Charge, 1e-12, "charge of step %d", k)
		assert.InDelta(t, s.Energy, r.Energy, 1e-10, "energy of step %d", k)
		assert.InDelta(t, s.Seconds, r.Seconds, 1e-6)
		assert.InDelta(t, s.StartVoltage, r.StartVoltage, 1e-9)
		assert.InDelta(t, s.EndVoltage, r.EndVoltage, 1e-9)
		assert.InDelta(t, s.Charge, r.Counter.Charge, 2e-9, "the counter columns tell the same charge")
		assert.InDelta(t, r.Charge, c.Steps[k].Charge, 1e-12, "cells share the module's current")
	}
	assert.InEpsilon(t, m.Steps[3].Energy/4, c.Steps[3].Energy, 1e-3)
	r := c.Steps[3].R10
	require.True(t, r.OK, r.Reason)
	// Half an edge and 10 s after it, 1.5 mOhm and 0.1 mOhm for each 100 frames.
	assert.InDelta(t, 1.5+10.0/0.103*1e-3, r.MilliOhm, 0.003)
}

// The rules that the format's own validator applies (ontology 1.3.0, README).
func TestExportKeepsTheFormatsRules(t *testing.T) {
	_, module, cell := exported(t)
	for _, text := range [][]byte{module, cell} {
		r := csv.NewReader(bytes.NewReader(text))
		head, err := r.Read()
		require.NoError(t, err)
		assert.Equal(t, []string{
			"Test Time / s", "Voltage / V", "Current / A", "Unix Time / s", "Step Count / 1",
			"Charging Capacity / Ah", "Discharging Capacity / Ah", "Net Capacity / Ah", "Cumulative Capacity / Ah",
			"Temperature T1 / degC", "Temperature T2 / degC", "Temperature T3 / degC", "Temperature T4 / degC", "Temperature T5 / degC",
		}, head)
		var last []float64
		rows := 0
		for {
			fields, err := r.Read() // checks the number of columns
			if err == io.EOF {
				break
			}
			require.NoError(t, err)
			x := make([]float64, len(fields))
			for i, f := range fields {
				x[i], err = strconv.ParseFloat(f, 64)
				require.NoError(t, err)
			}
			in, out, net, sum := x[5], x[6], x[7], x[8]
			tol := 1e-9 + 1e-7*sum
			assert.InDelta(t, in+out, sum, tol)
			assert.InDelta(t, in-out, net, tol)
			assert.InDelta(t, float64(epoch)*1e-6, x[3]-x[0], 1e-6)
			if last != nil {
				for _, k := range []int{0, 3, 4, 5, 6, 8} {
					require.GreaterOrEqual(t, x[k], last[k], head[k])
				}
				assert.LessOrEqual(t, x[4]-last[4], 1.0)
			}
			last = x
			rows++
		}
		assert.Equal(t, 1+5*200+4, rows, "each frame once, and each edge's state once more")
		assert.Equal(t, 5.0, last[4])
	}
	assert.Contains(t, string(module), "\n0.000000,13.200000,0.000000,1790000000.123456,1,0.000000000,0.000000000,0.000000000,0.000000000,24.950,25.050,")
}

// Nothing is made up where a reading is missing.
func TestExportLeavesOutWhatIsMissing(t *testing.T) {
	_, l := layout(t, 1)
	var b bytes.Buffer
	w, err := bdf.NewWriter(&b, l)
	require.NoError(t, err)
	f := drivers.Frame{At: epoch, Counts: make([]int32, len(l.Channels))}
	require.NoError(t, w.Frame(&f))
	f.At = f.At.Add(drivers.Second)
	f.Counts[l.Find(drivers.ModuleVoltage)] = drivers.NoReading
	require.NoError(t, w.Frame(&f))
	f.Counts[l.Find(drivers.ModuleVoltage)] = -1500
	f.Counts[l.Temp(0)] = drivers.NoReading
	require.NoError(t, w.Frame(&f))
	require.NoError(t, w.Frame(&f)) // the same instant again
	require.NoError(t, w.Flush())
	assert.Equal(t, int64(2), w.Left)
	lines := bytes.Split(bytes.TrimSpace(b.Bytes()), []byte("\n"))
	require.Len(t, lines, 3)
	assert.Equal(t, "1.000000,-1.500000,0.000000,1790000001.123456,1,0.000000000,0.000000000,0.000000000,0.000000000,", string(lines[2]))
}

func TestExportRefusesWhatIsNotThere(t *testing.T) {
	_, l := layout(t, 1)
	_, err := bdf.NewCellWriter(io.Discard, l, 4)
	assert.ErrorContains(t, err, "cell 5 of 4")
	short := drivers.Layout{Channels: slices.Clone(l.Channels[:4])}
	require.NoError(t, short.Index())
	_, err = bdf.NewWriter(io.Discard, &short)
	assert.ErrorContains(t, err, "no module voltage")
}

func TestFileName(t *testing.T) {
	assert.Equal(t, "Harbour-Yard__KW-01__20260921_003.bdf.csv", bdf.FileName("Harbour Yard", "KW-01", 0, epoch, 3))
	assert.Equal(t, "unnamed__KW-01-cell-07__20260921_001.bdf.csv", bdf.FileName("", "KW-01", 7, epoch, 1))
	assert.Equal(t, "a-b__---etc__20260921_001.bdf.csv", bdf.FileName("a_b", "../etc", 0, epoch, 1))
}

// Rows are written without an allocation.
func TestExportAllocatesNothing(t *testing.T) {
	_, l := layout(t, 6)
	w, err := bdf.NewWriter(io.Discard, l)
	require.NoError(t, err)
	f := drivers.Frame{At: epoch, Counts: make([]int32, len(l.Channels))}
	require.NoError(t, w.Frame(&f))
	assert.Zero(t, testing.AllocsPerRun(1000, func() {
		f.At = f.At.Add(100 * drivers.Millisecond)
		if err := w.Frame(&f); err != nil {
			t.Fatal(err)
		}
	}))
}

// A recorded bus has no meter: the sum of its taps is the module's voltage, and
// a frame that lacks a tap has none (INV-02).
func TestExportByTaps(t *testing.T) {
	_, l := layout(t, 1)
	var b bytes.Buffer
	w, err := bdf.NewTapsWriter(&b, l)
	require.NoError(t, err)
	f := drivers.Frame{At: epoch, Counts: make([]int32, len(l.Channels))}
	for k := range l.Cells() {
		f.Counts[l.Cell(k)] = int32(33_000 + k) // steps of 0.1 mV
	}
	f.Counts[l.Find(drivers.ModuleVoltage)] = drivers.NoReading
	require.NoError(t, w.Frame(&f))
	f.At = f.At.Add(drivers.Second)
	f.Counts[l.Cell(2)] = drivers.NoReading
	require.NoError(t, w.Frame(&f))
	require.NoError(t, w.Flush())
	assert.Equal(t, int64(1), w.Left)
	lines := bytes.Split(bytes.TrimSpace(b.Bytes()), []byte("\n"))
	require.Len(t, lines, 2)
	// 4 cells: 3.3000 + 3.3001 + 3.3002 + 3.3003 V.
	assert.True(t, bytes.HasPrefix(lines[1], []byte("0.000000,13.200600,")), string(lines[1]))
}
