package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// unsettled is how far the worst cell still is from its settled voltage.
func (x *rested) unsettled() Figure {
	if x.settled == nil {
		return unproven(RestUnsettled, "mV", "the rest has too few readings for a fit")
	}
	drifts := 0
	for c, rate := range x.rates {
		if math.Abs(rate) > math.Abs(x.rates[drifts]) {
			drifts = c
		}
	}
	if rate := x.rates[drifts]; rate != 0 {
		return unproven(RestUnsettled, "mV", fmt.Sprintf("%s, %.0f min: cell %d still moves by %.3g mV an hour, slower than this rest can follow to its end",
			x.label, seconds(x.long)/60, drifts+1, rate*3600*1000)).because(x.reason)
	}
	worst := 0
	for c, s := range x.settled {
		if math.Abs(s.left)+s.within > math.Abs(x.settled[worst].left)+x.settled[worst].within {
			worst = c
		}
	}
	s := x.settled[worst]
	f := figure(RestUnsettled, "mV", gum.New(1000*math.Abs(s.left), gum.Normal("fit of the relaxation", 1000*s.within/gum.Factor, 0)))
	side := "above"
	if s.left < 0 {
		side = "below"
	}
	return f.because(x.reason).with(fmt.Sprintf("%s, %.0f min: cell %d still %s its settled voltage, time constant about %.0f min",
		x.label, seconds(x.long)/60, worst+1, side, s.tau/60))
}

// fit takes the trend of a rest that has ended.
func (x *rested) fit(t *trend, s *scanner) {
	if t.holes || t.rows == 0 {
		return
	}
	all, rates := make([]settling, s.cells), make([]float64, s.cells)
	for c := range all {
		at, v := t.course(c, 1.0/3)
		one, rate, ok := settled(at, v, t.end(), s.mul[c])
		if !ok {
			return
		}
		all[c], rates[c] = one, rate
	}
	x.settled, x.rates = all, rates
}
