package rehearse

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// errorSpan is how long a sensor must err to count: shorter differences are
// those between instants of sampling.
const errorSpan = 2 * drivers.Second

// truthSeen is what the plant's truth was at the frames of a campaign.
type truthSeen struct {
	lastFrame drivers.Instant
	// out is since when the truth stood outside the working limits with current
	// flowing, 0 while it does not; spans how long that took until zero current.
	out   drivers.Instant
	spans []drivers.Span
	cold  drivers.Instant // charged under the maker's temperature since then
	both  int             // frames in a row with current in supply and load

	// Sensor errors: the least of each channel in the present length of time,
	// and the greatest such least so far.
	block                drivers.Instant
	least                []float64
	worstCell, worstTemp SensorError
}

// SensorError is how far a reading stayed from the truth for errorSpan.
type SensorError struct {
	Channel int   // cell or sensor, from 0
	Error   int64 // magnitude, uV or mK
}

// turn is called whenever a frame was due, whether it came or not.
func (w *witness) turn() {
	now, s := w.rig.Now(), &w.truth
	plant, p := w.rig.Plant(), w.c.plan
	m := plant.Module()
	amps := m.Current()
	near := float64(p.Limits.NearZero) / 1e6
	flows := math.Abs(amps) > near || plant.SupplyCurrent() > near || plant.LoadCurrent() > near

	high, low := math.Inf(-1), math.Inf(1)
	hot, cold := math.Inf(-1), math.Inf(1)
	for k := range m.Len() {
		high, low = max(high, m.Voltage(k)), min(low, m.Voltage(k))
		hot, cold = max(hot, m.Kelvin(k)), min(cold, m.Kelvin(k))
	}
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

// frame compares what the loop is told with the truth.
func (w *witness) frame(f *drivers.Frame) {
	s, l, m := &w.truth, &w.c.plan.Layout, w.rig.Plant().Module()
	s.lastFrame = f.At
	if w.over || !w.shelf.energised { // an error that keeps a bench from being energised was noticed
		s.reset(f.At)
		return
	}
	cells, temps := l.Cells(), l.Temps()
	if s.least == nil {
		s.least = make([]float64, cells+temps)
		s.reset(f.At)
	}
	put := func(at int, truth float64) {
		c := l.Channels[at]
		if f.Counts[at] == drivers.NoReading {
			s.least[at] = 0
			return
		}
		e := math.Abs(float64(c.Scale.Value(f.Counts[at])) - truth)
		s.least[at] = min(s.least[at], e)
	}
	for k := range min(cells, m.Len()) { // the article may be another one
		put(l.Cell(k), m.Tap(k)*1e6)
	}
	for j := range temps {
		put(l.Temp(j), m.Kelvin(w.rig.SensorCell(j))*1e3)
	}
	if f.At.Sub(s.block) < errorSpan {
		return
	}
	for at, e := range s.least {
		to, ch := &s.worstCell, at
		if at >= cells {
			to, ch = &s.worstTemp, at-cells
		}
		if e < math.Inf(1) && int64(e) > to.Error {
			*to = SensorError{ch, int64(e)}
		}
	}
	s.reset(f.At)
}

func (s *truthSeen) reset(at drivers.Instant) {
	s.block = at
	for k := range s.least {
		s.least[k] = math.Inf(1)
	}
}

// explains says whether the truth stands where a trip's cause says, within the
// declared accuracies; causes that are not about the article's limits are false
// here, and a fault must explain them.
func (s *truthSeen) explains(w *witness, cause string) bool {
	p := w.c.plan
	t, l := w.rig.Truth(), &p.Limits
	cell := drivers.Microvolts(p.Bench.Monitor.CellAccuracy.At(int64(l.CellMax))) + 2*p.Bench.Monitor.CellStep
	temp := drivers.Millikelvins(p.Bench.Monitor.TempAccuracy.At(int64(l.TempMax))) + 2*p.Bench.Monitor.TempStep
	// A tap sits beyond its weld.
	joint := drivers.Microvolts(int64(p.CellResistance) * int64(max(t.Current, -t.Current)) / 1_000_000 * 3)
	switch cause {
	case "cell_high":
		return t.CellMax+joint+cell >= l.CellMax
	case "cell_low":
		return t.CellMin-joint-cell <= l.CellMin
	case "lone_cell": // a bad weld or a stiff cell moves alone
		return len(w.c.Config.Article.Defects) > 0
	case "module_high", "module_low", "temp_rise":
		return true
	case "temp_high":
		return t.TempMax+temp >= min(l.TempChargeMax, l.TempDischargeMax)
	case "temp_low", "charge_cold":
		return t.TempMin-temp <= max(l.TempChargeMin, l.TempDischargeMin)
	case "charge_high", "discharge_high":
		for _, row := range l.ChargeTable {
			if t.TempMax+temp >= row.Temp || t.TempMin-temp <= row.Temp {
				return true
			}
		}
	}
	return false
}
