package rehearse

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// truthSeen is what the plant's truth was at the frames of a campaign.
type truthSeen struct {
	lastFrame drivers.Instant
	// out is since when the truth stood outside the working limits with current
	// flowing, 0 while it does not; spans how long that took until zero current.
	out   drivers.Instant
	spans []drivers.Span
	cold  drivers.Instant // charged under the maker's temperature since then
	both  int             // frames in a row with current in supply and load
}

// ends are the highest and lowest voltage, V, and temperature, K, of the true
// cells.
type ends struct{ high, low, hot, cold float64 }

// endsOf compares plainly: the builtin min and max mind NaN, and take as long as
// all else that a judge does with a frame.
func endsOf(m *plant.Module) ends {
	e := ends{math.Inf(-1), math.Inf(1), math.Inf(-1), math.Inf(1)}
	for k := range m.Len() {
		v, t := m.Voltage(k), m.Kelvin(k)
		if v > e.high {
			e.high = v
		}
		if v < e.low {
			e.low = v
		}
		if t > e.hot {
			e.hot = t
		}
		if t < e.cold {
			e.cold = t
		}
	}
	return e
}

// turn is called whenever a frame was due, whether it came or not.
func (w *witness) turn() {
	now, s := w.rig.Now(), &w.truth
	w.ends = endsOf(w.rig.Plant().Module())
	w.settle()
	w.stepped()
	w.stands()
	w.remember()
	plant, p := w.rig.Plant(), w.c.plan
	m := plant.Module()
	amps := m.Current()
	near := float64(p.Limits.NearZero) / 1e6
	flows := math.Abs(amps) > near || plant.SupplyCurrent() > near || plant.LoadCurrent() > near

	high, low := w.ends.high, w.ends.low
	hot, cold := w.ends.hot, w.ends.cold
	l := &p.Limits
	out := high > float64(l.CellMax)/1e6 || low < float64(l.CellMin)/1e6 || hot > float64(l.TempMax)/1e3 ||
		amps > float64(l.ChargeMax+l.CurrentTolerance)/1e6 || -amps > float64(l.DischargeMax+l.CurrentTolerance)/1e6
	switch {
	case out && flows && s.out == 0:
		s.out = now
	case s.out != 0 && !flows:
		s.spans = append(s.spans, now.Sub(s.out))
		s.out = 0
	case s.out != 0 && !out:
		s.out = 0
	}

	// INV-15: no charge in the cold, whatever the sensors say.
	if maker := &w.t.Module.Maker; amps > near && cold < float64(maker.ChargeTempMin)/1e3 {
		if s.cold == 0 {
			s.cold = now
		} else if now.Sub(s.cold) > 2*drivers.Second {
			w.violate(15, "charged with a true cell at %.2f K; the maker's least is %.2f K", cold, float64(maker.ChargeTempMin)/1e3)
		}
	} else {
		s.cold = 0
	}
	// INV-01: a source and a sink at once.
	if plant.SupplyCurrent() > 4*near && plant.LoadCurrent() > 4*near {
		if s.both++; s.both > 5 {
			w.violate(1, "true current in supply (%.2f A) and load (%.2f A) at once", plant.SupplyCurrent(), plant.LoadCurrent())
		}
	} else {
		s.both = 0
	}
}
