package bench_test

import (
	"context"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// ideal is a controller that knows everything: the plant as it is, what each
// tap adds to the truth, what the instrument gives for a setting, and the
// delay, so that it is never late. It has the instrument's greatest current,
// slew and resolution, and looks for the greatest setting by trying settings
// on a clone of the plant.
type ideal struct {
	c      *holdCase
	plant  *plant.Bench
	offset []float64 // V that each tap's sensor adds, noise and rounding aside
	// The instrument gives gain*set + zero, A; bound is its own voltage, V.
	gain, zero, bound float64
	slew              float64
	most, taper       int // in the instrument's steps
	stepA             float64
}

// outcome is what a drive did.
type outcome struct {
	charge float64 // C, a magnitude, by the plant's own count
	span   float64 // s
}

// idealPeriod is how often the ideal controller chooses anew. In between its
// current stands, so that it looks for what fits at the end of the period, and
// at its beginning.
const idealPeriod = 500 * drivers.Millisecond

// newIdeal takes a bench at rest, contactors closed, and leaves it untouched.
func newIdeal(t testing.TB, c *holdCase, rig *virtual.Bench, offset []float64, bound drivers.Microvolts) *ideal {
	t.Helper()
	spec := &c.bench.Supply
	x := &ideal{
		c: c, plant: rig.Plant().Clone(), offset: offset, bound: float64(bound) / 1e6,
		slew: float64(spec.Slew) / 1e6, stepA: float64(spec.CurrentStep) / 1e6,
		most: int(c.amps() / spec.CurrentStep), taper: int(c.taperAmps() / spec.CurrentStep),
	}
	x.gain, x.zero = regulation(t, c, rig.Clone())
	return x
}

// tapOffsets is what each tap's sensor adds to the truth, by the mean of many
// readings at rest.
func (c *holdCase) tapOffsets(rig *virtual.Bench) []float64 {
	const readings = 400
	r := rig.Clone()
	sum := make([]float64, c.series)
	var f drivers.Frame
	for range readings {
		r.Advance(r.Next())
		r.Frame(&f)
		for k := range sum {
			sum[k] += float64(f.Counts[k])*float64(c.bench.Monitor.CellStep)/1e6 - r.Plant().Module().Tap(k)
		}
	}
	for k := range sum {
		sum[k] /= readings
	}
	return sum
}

// regulation is the line between setting and true current, from two of them.
func regulation(t testing.TB, c *holdCase, r *virtual.Bench) (gain, zero float64) {
	t.Helper()
	// The voltage bound is out of the way: it is the regulator that is measured.
	at := func(set drivers.Microamps) float64 {
		dev, v := r.Set().Supply, c.bench.Supply.VoltageMax
		if c.discharge {
			dev, v = r.Set().Load, 0
		}
		require.NoError(t, dev.Set(context.Background(), drivers.Setpoint{Current: set, Voltage: v, On: true}))
		travel := c.bench.Supply.Delay + drivers.Second + drivers.Span(float64(c.amps())*1e6/float64(c.bench.Supply.Slew))
		// Reading frames keeps the instrument's silence limit from acting.
		var f drivers.Frame
		for until := r.Now().Add(travel); r.Now() < until; r.Frame(&f) {
			r.Advance(r.Next())
		}
		return r.Plant().SupplyCurrent() + r.Plant().LoadCurrent()
	}
	lo, hi := c.taperAmps(), c.amps()
	a, b := at(lo), at(hi)
	gain = (b - a) / (float64(hi-lo) / 1e6)
	return gain, a - gain*float64(lo)/1e6
}

func (x *ideal) set(p *plant.Bench, steps int) {
	s := plant.Source{Current: x.gain*float64(steps)*x.stepA + x.zero, Voltage: x.bound, Slew: x.slew}
	if x.c.discharge {
		p.SetLoad(s)
	} else {
		p.SetSupply(s)
	}
}

// margin is the room, V, between the worst cell as its tap would show it and
// the target; negative past it.
func (x *ideal) margin(p *plant.Bench) float64 { return x.c.margin(p, x.offset) }

func (c *holdCase) margin(p *plant.Bench, offset []float64) float64 {
	m, least := p.Module(), math.Inf(1)
	for k := range m.Len() {
		room := c.hold() - (m.Tap(k) + offset[k])
		if c.discharge {
			room = -room
		}
		least = min(least, room)
	}
	return least
}

// fits says whether a setting keeps every cell within the target for a period.
func (x *ideal) fits(steps int) bool {
	p := x.plant.Clone()
	x.set(p, steps)
	// A rise shows at once and goes on rising: its end decides. After a fall the
	// cell was highest before.
	p.Advance(idealPeriod)
	return x.margin(p) >= 0
}

// run charges until no setting over the taper fits.
func (x *ideal) run(t testing.TB) outcome {
	t.Helper()
	q0, t0 := x.moved(), x.plant.Now()
	for range 200_000 {
		steps := x.choose()
		if steps <= x.taper {
			return outcome{x.moved() - q0, float64(x.plant.Now()-t0) / 1e6}
		}
		x.set(x.plant, steps)
		x.plant.Advance(idealPeriod)
	}
	require.Fail(t, "the ideal controller never ends", "seed %d", x.c.seed)
	return outcome{}
}

// choose is the greatest setting that fits, by bisection.
func (x *ideal) choose() int {
	if x.fits(x.most) {
		return x.most
	}
	lo, hi := 0, x.most
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; x.fits(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

func (x *ideal) moved() float64 { return moved(x.plant) }

func moved(p *plant.Bench) float64 {
	c := p.Counters()
	return math.Abs(c.ChargeIn - c.ChargeOut)
}
