package rehearse

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// past is what the truth was of late, for those who ask whether a trip told it.
type past struct {
	at    drivers.Instant
	taps  []float64 // V
	temps []float64 // K, of the sensors' cells
	volts float64   // V, across the terminals
	amps  float64   // A
}

// Of late: the longest that any persistence, window or lone movement looks back;
// and a minute for how fast a temperature rises.
const (
	pastSpan    = 4 * drivers.Second
	pastSpacing = 40 * drivers.Millisecond
	warmthSpan  = 90 * drivers.Second
	warmSpacing = 2 * drivers.Second
)

// history keeps past truths, the fine ones for pastSpan and some of them longer.
type history struct{ fine, coarse ring }

type ring struct {
	list []past
	next int
}

// put gives the entry to fill, or nil where the latest is young enough. Entries
// are used again.
func (r *ring) put(at drivers.Instant, spacing, span drivers.Span) *past {
	n := int(span/spacing) + 1
	if len(r.list) < n {
		if l := len(r.list); l > 0 && at.Sub(r.list[l-1].at) < spacing {
			return nil
		}
		r.list = append(r.list, past{})
		r.next = len(r.list) % n
		return &r.list[len(r.list)-1]
	}
	if at.Sub(r.list[(r.next+n-1)%n].at) < spacing {
		return nil
	}
	p := &r.list[r.next]
	r.next = (r.next + 1) % n
	return p
}

// since calls do for each entry that is no older than a span.
func (r *ring) since(at drivers.Instant, span drivers.Span, do func(*past)) {
	for i := range r.list {
		if p := &r.list[i]; p.at != 0 && at.Sub(p.at) <= span {
			do(p)
		}
	}
}

// remember keeps the present truth.
func (w *witness) remember() {
	now := w.rig.Now()
	for _, p := range [...]*past{w.history.fine.put(now, pastSpacing, pastSpan), w.history.coarse.put(now, warmSpacing, warmthSpan)} {
		if p == nil {
			continue
		}
		m := w.rig.Plant().Module()
		p.at, p.volts, p.amps = now, m.TerminalVoltage(), m.Current()
		p.taps, p.temps = p.taps[:0], p.temps[:0]
		for k := range m.Len() {
			p.taps = append(p.taps, m.Tap(k))
		}
		for j := range w.c.plan.Layout.Temps() {
			p.temps = append(p.temps, m.Kelvin(w.rig.SensorCell(j)))
		}
	}
}

// extremes are the truth's of late, as far as readings can show them.
type extremes struct {
	tapMax, tapMin, tempMax, tempMin, voltsMax, voltsMin, ampsMax, ampsMin float64
}

func (w *witness) extremes() extremes {
	inf := math.Inf(1)
	e := extremes{-inf, inf, -inf, inf, -inf, inf, -inf, inf}
	w.history.fine.since(w.rig.Now(), pastSpan, func(p *past) {
		for _, v := range p.taps {
			e.tapMax, e.tapMin = max(e.tapMax, v), min(e.tapMin, v)
		}
		for _, t := range p.temps {
			e.tempMax, e.tempMin = max(e.tempMax, t), min(e.tempMin, t)
		}
		e.voltsMax, e.voltsMin = max(e.voltsMax, p.volts), min(e.voltsMin, p.volts)
		e.ampsMax, e.ampsMin = max(e.ampsMax, p.amps), min(e.ampsMin, p.amps)
	})
	return e
}

// explains says whether the truth stands, or stood a moment ago, where a trip's
// cause says, within the declared accuracies. Causes that are not about the
// article are false here, and a fault must explain them.
func (w *witness) explains(cause string) bool {
	p := w.c.plan
	l, mon := &p.Limits, &p.Bench.Monitor
	e := w.extremes()
	cell := float64(mon.CellAccuracy.At(int64(l.CellMax))+int64(mon.CellStep)) / 1e6
	temp := float64(mon.TempAccuracy.At(int64(l.TempMax))+int64(mon.TempStep)) / 1e3
	meter := float64(p.Bench.Meter.VoltageAcc.At(int64(l.ModuleMax))+int64(p.Bench.Meter.VoltageStep)) / 1e6
	amps := float64(mon.CurrentAcc.At(int64(max(l.ChargeMax, l.DischargeMax)))+int64(mon.CurrentStep)) / 1e6
	switch cause {
	case "cell_high":
		return e.tapMax+cell >= float64(l.CellMax)/1e6
	case "cell_low":
		return e.tapMin-cell <= float64(l.CellMin)/1e6
	case "charge_forbidden":
		return e.tapMin-cell <= float64(l.NoCharge)/1e6
	case "module_high":
		return e.voltsMax+meter >= float64(l.ModuleMax)/1e6
	case "module_low":
		return e.voltsMin-meter <= float64(l.ModuleMin)/1e6
	case "temp_high":
		return e.tempMax+temp >= float64(min(l.TempChargeMax, l.TempDischargeMax))/1e3
	case "temp_low", "charge_cold":
		return e.tempMin-temp <= float64(max(l.TempChargeMin, l.TempDischargeMin))/1e3
	case "temp_rise":
		return w.rises(float64(l.TempRateMax)/1e3 - 2*temp)
	case "lone_cell":
		return w.alone(float64(l.LoneMove)/1e6 - 2*cell)
	case "charge_high":
		most := float64(l.ChargeMax) / 1e6
		for _, row := range l.ChargeTable {
			if e.tempMax+temp >= float64(row.Temp)/1e3 {
				most = min(most, float64(row.Current)/1e6)
			}
		}
		return e.ampsMax+amps >= most
	case "discharge_high":
		return -e.ampsMin+amps >= float64(l.DischargeMax)/1e6
	}
	return false
}

// rises says whether some sensor's true temperature rose by so much, K, within
// the window over which a rise is judged.
func (w *witness) rises(by float64) bool {
	now := w.rig.Now()
	most := math.Inf(-1)
	m := w.rig.Plant().Module()
	w.history.coarse.since(now, warmthSpan, func(p *past) {
		for j, t := range p.temps {
			most = max(most, m.Kelvin(w.rig.SensorCell(j))-t)
		}
	})
	return most >= by
}

// alone says whether a true tap left the median of all by so much, V, of late: a
// bad weld, a stiff cell or a weak one does.
func (w *witness) alone(by float64) bool {
	var seen []*past
	w.history.fine.since(w.rig.Now(), pastSpan, func(p *past) { seen = append(seen, p) })
	for _, a := range seen {
		for _, b := range seen {
			if b.at <= a.at || b.at.Sub(a.at) > w.c.plan.Limits.LoneSpan+drivers.Second {
				continue
			}
			drift := median(b.taps) - median(a.taps)
			for k := range a.taps {
				if math.Abs(b.taps[k]-a.taps[k]-drift) >= by {
					return true
				}
			}
		}
	}
	return false
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}
