package guard

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// quietDay is a day in the life of a healthy module: rests with relaxation,
// charge with a hold that keeps the highest cell on one count, discharge,
// pulses, bleeding. Nothing in it may trip. Cells differ by 20 % in resistance
// and by 3 % in state of charge; the curve has a flat part and a knee.
type quietDay struct {
	rng        *rand.Rand
	soc, res   []float64
	slow       []float64 // relaxing part of each cell's voltage
	amps, want float64
	noise      float64
	temp       float64
}

func (d *quietDay) step(r *rig, seconds float64) {
	d.amps += max(-20*seconds, min(20*seconds, d.want-d.amps)) // the supply's slew
	for i := range d.soc {
		d.soc[i] += d.amps * seconds / (40 * 3600)
		target := 0.0012 * d.amps
		d.slow[i] += (target - d.slow[i]) * (1 - math.Exp(-seconds/600))
		uV := 1e6 * (quietCurve(d.soc[i]) + d.amps*d.res[i] + d.slow[i])
		r.f.Counts[i] = r.layout.Channels[i].Scale.Nearest(int64(uV + d.noise*d.rng.NormFloat64()))
	}
	r.meter()
	mA := int64(math.Round(d.amps * 1000))
	r.flow(1000 * mA)
	r.x.Charge = max(r.x.Charge, drivers.Microamps(1e6*max(d.want, 0)))
	r.x.Discharge = max(r.x.Discharge, drivers.Microamps(1e6*max(-d.want, 0)))
	r.kind(drivers.ModuleCurrent, 1000*(mA+int64(d.noise*d.rng.NormFloat64()/50)))
	d.temp += (25 + d.amps*d.amps/40 - d.temp) * seconds / 7200
	for i := range r.layout.Temps() {
		t := 1000*(d.temp+273.15+0.3*float64(i)) + 100*d.noise/200*d.rng.NormFloat64()
		at := r.layout.Temp(i)
		r.f.Counts[at] = r.layout.Channels[at].Scale.Nearest(int64(t))
	}
}

// quietCurve is flat in the middle and steep at both ends, as LFP cells are.
func quietCurve(soc float64) float64 {
	return 3.3 + 0.03*soc + 0.25*math.Exp((soc-1)*80) - 0.5*math.Exp(-soc*30)
}

func (d *quietDay) highest(r *rig) float64 {
	high := math.Inf(-1)
	for i := range r.layout.Cells() {
		high = max(high, float64(r.layout.Channels[i].Scale.Value(r.f.Counts[i]))/1e6)
	}
	return high
}

// No false trip in a day's frames, on a fine monitor with visible noise and on
// a coarse one (1 mV steps) without any.
func TestQuietDay(t *testing.T) {
	for _, tt := range []struct {
		name  string
		step  drivers.Microvolts
		noise float64
	}{{"0.1 mV with 0.3 mV noise", 100, 300}, {"1 mV without noise", 1000, 0}} {
		t.Run(tt.name, func(t *testing.T) {
			const seed = 7
			t.Logf("seed %d", seed)
			r := newRig(t, func(l *Limits) { l.Stale = drivers.Second })
			b := benchOf(24, 6)
			b.Monitor.CellStep = tt.step
			var err error
			r.layout, err = b.Layout()
			require.NoError(t, err)
			r.limits.CellMin, r.limits.ModuleMin = 2_000_000, 48_000_000
			r.limits.Stale = drivers.Second
			r.g, err = New(&r.limits, r.layout)
			require.NoError(t, err)
			r.period = 500 * ms

			d := &quietDay{rng: rand.New(rand.NewPCG(seed, 0)), noise: tt.noise, temp: 25}
			for i := range 24 {
				d.soc = append(d.soc, 0.45+0.03*float64(i)/24)
				d.res = append(d.res, 0.0018*(1+0.2*(d.rng.Float64()*2-1)))
				d.slow = append(d.slow, 0)
			}
			frames, steadyAt, cut := 0, 0, 0.0
			for r.f.At < 1_000_000_000+drivers.Instant(24*drivers.Hour) {
				h := float64(r.f.At-1_000_000_000) / float64(drivers.Hour)
				want := 0.0
				r.x.Bleeding = false
				switch {
				case h < 2:
				case h < 5: // charge, held on the highest cell
					want = 18 - cut
					if frames%4 == 0 && d.highest(r) >= 3.55 {
						cut = min(18, cut+0.1*want)
					}
				case h < 8:
				case h < 10: // bleeding the even cells
					r.x.Bleeding = true
					for i := 0; i < 24; i += 2 {
						d.soc[i] -= 0.5 * 0.1 / (40 * 3600)
					}
				case h < 10.1:
					r.x.Bleeding = true
				case h < 11:
				case h < 12.5:
					want = -20
				case h < 16:
				case h < 17 && frames%240 < 20: // pulses of 10 s
					want = -30
				}
				if want != d.want {
					d.want, steadyAt = want, frames+8
				}
				r.x.Steady = frames >= steadyAt
				frames++
				d.step(r, 0.5)
				if found := r.next(); len(found) > 0 {
					t.Fatalf("at %.3f h: %s", h, Describe(found[0], r.layout))
				}
			}
			require.Equal(t, 172_800, frames)
			require.Positive(t, cut, "the hold was reached")
		})
	}
}
