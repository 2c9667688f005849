package virtual_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// value returns a channel of a frame in its base unit.
func value(t *testing.T, b *virtual.Bench, f *drivers.Frame, k drivers.Kind, index int) int64 {
	t.Helper()
	i := b.Layout().Find(k) + index
	require.NotEqual(t, drivers.NoReading, f.Counts[i], "%s has no reading", b.Layout().Channels[i].Name())
	return b.Layout().Channels[i].Scale.Value(f.Counts[i])
}

// state returns a channel's count.
func state(b *virtual.Bench, f *drivers.Frame, k drivers.Kind) int32 {
	return f.Counts[b.Layout().Find(k)]
}

// still is an article that stays exactly as it is at rest.
func still(c virtual.Config) virtual.Config {
	c.Article.Without = plant.AllEffects
	c.Article.Spread = plant.Spread{}
	return c
}

// Each sensor's mean error over many readings is its static error: inside the
// declared accuracy for every seed, different for each channel, and used up to
// more than half somewhere. The scatter is the noise.
func TestSensorErrorsStayInsideAccuracy(t *testing.T) {
	const seeds, readings = 20, 400
	worst := map[drivers.Kind]float64{}
	for seed := range uint64(seeds) {
		c := still(config())
		c.Seed = seed
		b := open(t, c)
		charge(t, b)
		l := b.Layout()
		mean := make([]float64, len(l.Channels))
		square := make([]float64, len(l.Channels))
		truths := make([]float64, len(l.Channels))
		for range readings {
			f := frames(b, c.Bench.Monitor.Period)
			for i, ch := range l.Channels {
				truth, ok := truthOf(b, ch)
				if !ok {
					continue
				}
				require.NotEqual(t, drivers.NoReading, f.Counts[i], "seed %d: %s", seed, ch.Name())
				e := float64(ch.Scale.Value(f.Counts[i])) - truth
				mean[i] += e / readings
				square[i] += e * e / readings
				truths[i] = truth
			}
		}
		for i, ch := range l.Channels {
			if _, ok := truthOf(b, ch); !ok {
				continue
			}
			declared := float64(ch.Accuracy.At(int64(truths[i])))
			sd := math.Sqrt(max(0, square[i]-mean[i]*mean[i]))
			noise := max(0.1*float64(ch.Accuracy.Offset), float64(ch.Scale.Num)/2)
			assert.LessOrEqual(t, math.Abs(mean[i]), declared*0.6+4*noise/math.Sqrt(readings)+float64(ch.Scale.Num)/8,
				"seed %d: static error of %s", seed, ch.Name())
			quantised := math.Sqrt(noise*noise + float64(ch.Scale.Num*ch.Scale.Num)/12)
			assert.InEpsilon(t, quantised, sd, 0.2, "seed %d: noise of %s", seed, ch.Name())
			worst[ch.Kind] = max(worst[ch.Kind], math.Abs(mean[i])/declared)
		}
	}
	for k, w := range worst {
		assert.Greater(t, w, 0.3, "%s uses %.2f of its declared accuracy at most", k, w)
	}
}

// truthOf returns what a channel would read if it were perfect, at rest or at a
// constant current.
func truthOf(b *virtual.Bench, ch drivers.Channel) (float64, bool) {
	p := b.Plant()
	m := p.Module()
	switch ch.Kind {
	case drivers.CellVoltage:
		return m.Tap(ch.Index) * 1e6, true
	case drivers.Temperature:
		return m.Kelvin(b.SensorCell(ch.Index)) * 1e3, true
	case drivers.ModuleCurrent, drivers.BoxCurrent:
		return m.Current() * 1e6, true
	case drivers.ModuleVoltage:
		return m.TerminalVoltage() * 1e6, true
	case drivers.LinkVoltage, drivers.SupplyVoltage, drivers.LoadVoltage:
		return p.LinkVoltage() * 1e6, true
	case drivers.SupplyCurrent:
		return p.SupplyCurrent() * 1e6, true
	case drivers.LoadCurrent:
		return p.LoadCurrent() * 1e6, true
	}
	return 0, false
}

// Without errors and noise a reading is the truth rounded to the nearest step.
func TestQuantisation(t *testing.T) {
	c := still(config())
	c.Sensing.Ideal = true
	b := open(t, c)
	charge(t, b)
	f := frames(b, 30*drivers.Second)
	for i, ch := range b.Layout().Channels {
		truth, ok := truthOf(b, ch)
		if !ok {
			continue
		}
		// The mean over a window lies a little behind the present.
		slack := 1.0
		if ch.Window > 0 {
			slack += 5
		}
		assert.InDelta(t, truth, float64(ch.Scale.Value(f.Counts[i])), float64(ch.Scale.Num)/2+slack, ch.Name())
	}
}

// On a ramp the cells lag the shunt by their skew. With nothing but resistance
// in the cells a tap shows the current at the middle of its window:
// u = u0 + R*S*(t - skew - W/2), the shunt S*(t - W/2), S the slew.
func TestSkewAgainstCurrent(t *testing.T) {
	c := still(config())
	c.Sensing.Ideal = true
	c.Bench.Monitor.CellStep, c.Bench.Monitor.CurrentStep = 1, 100
	c.Bench.Supply.Slew = 10 * drivers.Ampere
	b := open(t, c)
	connect(t, b)
	rest := frames(b, drivers.Second)
	m := b.Plant().Module()
	r := m.Resistance(0) + m.Joint(0)

	ctx, supply := t.Context(), b.Set().Supply
	_, err := supply.Arm(ctx, drivers.Protection{VoltageMax: 100 * drivers.Volt, CurrentMax: 50 * drivers.Ampere})
	require.NoError(t, err)
	require.NoError(t, supply.Set(ctx, drivers.Setpoint{On: true, Current: 40 * drivers.Ampere, Voltage: 95 * drivers.Volt}))
	f := frames(b, 2*drivers.Second) // in the middle of four seconds of ramp
	shunt := float64(value(t, b, f, drivers.ModuleCurrent, 0)) / 1e6
	require.InDelta(t, 19, shunt, 1)
	behind := func(k int) float64 {
		u := float64(value(t, b, f, drivers.CellVoltage, k)-value(t, b, rest, drivers.CellVoltage, k)) / 1e6
		return (shunt - u/r) / 10 // s
	}
	// The open-circuit voltage of all cells has moved alike meanwhile: compare
	// with the last cell, whose window is the shunt's. A step of 1 uV is 0.12 ms.
	for k := range c.Bench.Monitor.Cells {
		skew := 0.010 * float64(c.Bench.Monitor.Cells-1-k) / float64(c.Bench.Monitor.Cells-1)
		assert.InDelta(t, skew, behind(k)-behind(c.Bench.Monitor.Cells-1), 0.0002, "cell %d", k+1)
	}
}

// A shunt out of its range gives no reading; so does a cell welded in the wrong
// way round, whose tap is under the monitor's inputs.
func TestRangeClipping(t *testing.T) {
	c := config()
	c.Bench.Monitor.CurrentRange = 10 * drivers.Ampere
	c.Article.Defects = []plant.Defect{{Kind: plant.ReversedCell, Cell: 3}}
	b := open(t, c)
	f := frames(b, drivers.Second)
	assert.NotEqual(t, drivers.NoReading, state(b, f, drivers.ModuleCurrent))
	assert.Equal(t, drivers.NoReading, f.Counts[b.Layout().Cell(3)])
	assert.NotEqual(t, drivers.NoReading, f.Counts[b.Layout().Cell(2)])
	charge(t, b)
	f = frames(b, drivers.Second)
	assert.Equal(t, drivers.NoReading, state(b, f, drivers.ModuleCurrent), "20 A on a shunt of 10 A")
	assert.NotEqual(t, drivers.NoReading, state(b, f, drivers.BoxCurrent))
}
