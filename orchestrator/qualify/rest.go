package qualify

import (
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// restMin is the shortest rest whose voltages are taken as resting.
const restMin = 5 * drivers.Minute

// rested are the cells' voltages at the end of one rest.
type rested struct {
	label string
	long  drivers.Span
	cells []float64 // V, NaN where there is no reading
	meter float64   // V, NaN where it gave none
	// settled is how far each cell still was from rest, nil where unknown.
	settled []settling
	// rates are the drifts of cells that refuse the answer, V/s; 0 for the others.
	rates []float64
	// drifts are how fast the cells moved late in a long rest, V/s, nil where none are
	// compared; driftNoise what of it is nothing.
	drifts, driftNoise []float64
	reason             string
}

// rests remembers the few rests that figures come from.
type rests struct {
	after, before, longest *rested
	// all are the first rests, for holding the cells against each other.
	all []*rested
}

func (t *rests) close(a *Analyser, r *run) {
	long := r.ended.Sub(r.begun)
	if long < restMin {
		return
	}
	x := &rested{label: r.spec.Label, long: long, cells: make([]float64, a.scan.cells), reason: r.reason()}
	x.average(a, r)
	x.fit(&a.trend, &a.scan)
	x.drift(&a.trend, &a.scan, a.bled.total != a.bledRest)
	a.leaks.close(a, r)
	if len(t.all) < restsMax {
		t.all = append(t.all, x)
	}
	if a.balance.done && t.after == nil {
		t.after = x
	}
	if a.balance.planned && !a.balance.done {
		t.before = x
	}
	if t.longest == nil || long > t.longest.long {
		t.longest = x
	}
}

// average takes the mean over the last frames of the rest.
func (x *rested) average(a *Analyser, r *run) {
	n := make([]float64, len(x.cells))
	meters := 0.0
	for k := range a.ring.len() {
		row := a.ring.row(k)
		if at := a.ring.when(k); at > r.ended || at < r.begun || a.scan.flows(a.scan.value(a.scan.current, row[a.scan.current])) {
			continue
		}
		if v := a.scan.voltage; v >= 0 && row[v] != drivers.NoReading {
			x.meter += a.scan.value(v, row[v])
			meters++
		}
		for c := range x.cells {
			if row[c] != drivers.NoReading {
				x.cells[c] += a.scan.value(c, row[c])
				n[c]++
			}
		}
	}
	x.meter /= meters
	for c := range x.cells {
		if x.cells[c] /= n[c]; n[c] == 0 {
			x.cells[c] = math.NaN()
			if x.reason == "" {
				x.reason = fmt.Sprintf("cell %d gave no reading at the end of the rest", c+1)
			}
		}
	}
}

// best is the rest that the figures are about: the first after balancing, near
// the top of charge where a voltage tells something, else the longest.
func (t *rests) best() *rested {
	if t.after != nil {
		return t.after
	}
	return t.longest
}

// figures returns the module's figures and the cells'.
func (t *rests) figures(b *instruments) (module, cells []Figure) {
	x := t.best()
	if x == nil {
		why := fmt.Sprintf("the run has no rest of %.0f min", seconds(restMin)/60)
		return []Figure{unproven(RestSpread, "mV", why), unproven(SumDifference, "mV", why)}, nil
	}
	module = append(module, x.spread(b, RestSpread))
	if y := t.before; y != nil && y != x {
		module = append(module, y.spread(b, RestSpreadBefore))
	}
	module = append(module, x.sum(b), x.unsettled())
	for c, v := range x.cells {
		f := unproven(RestVoltage, "V", x.reason)
		if !math.IsNaN(v) {
			f = figure(RestVoltage, "V", b.tap(c, v)).because(x.reason)
			f.Budget = nil
		}
		f.Cell = c + 1
		cells = append(cells, f)
	}
	return module, cells
}

// sum compares the taps' sum with the meter.
func (x *rested) sum(b *instruments) Figure {
	diff := b.over(func(tap tapper) gum.Value {
		sum := gum.Exact(-x.meter).With(b.meterGain, -x.meter).With(b.meterOffset, -1)
		for c, v := range x.cells {
			sum = gum.Add(sum, tap(c, v))
		}
		return sum
	})
	if math.IsNaN(diff.X()) {
		return unproven(SumDifference, "mV", "a tap or the meter gave no reading at the end of the rest")
	}
	f := figure(SumDifference, "mV", gum.Scale(1000, diff)).because(x.reason)
	f.Detail = "taps under the meter"
	if f.Value >= 0 {
		f.Detail = "taps over the meter"
	}
	f.Value = math.Abs(f.Value)
	return f
}

// apart is how far the cells are apart, in mV, if each tap errs on its own.
func (x *rested) apart(b *instruments) band {
	var y, a []float64
	for c, v := range x.cells {
		if !math.IsNaN(v) {
			gain, offset := b.scan.accuracy(c)
			y, a = append(y, 1000*v), append(a, 1000*(gain*v+offset+b.tapStep(c)))
		}
	}
	return rangeOf(y, a)
}

func (x *rested) spread(b *instruments, name string) Figure {
	lo, hi := -1, -1
	for c, v := range x.cells {
		if math.IsNaN(v) {
			continue
		}
		if lo < 0 || v < x.cells[lo] {
			lo = c
		}
		if hi < 0 || v > x.cells[hi] {
			hi = c
		}
	}
	if lo < 0 {
		return unproven(name, "mV", "no cell gave a reading at the end of the rest")
	}
	read := func(tap tapper) gum.Value {
		return gum.Scale(1000, gum.Sub(tap(hi, x.cells[hi]), tap(lo, x.cells[lo])))
	}
	f := figure(name, "mV", read(b.common)) // all err alike: the difference is as it was read
	if b.errors != drivers.ErrorsShared {
		own := x.apart(b)
		if b.errors != drivers.ErrorsOwn {
			// Not declared: the interval holds what either would say.
			own.half = max(own.half, math.Abs(own.x-f.Value)+f.U)
		}
		f = banded(name, "mV", own)
	}
	return f.because(x.reason).
		with(fmt.Sprintf("%s, %.0f min: cell %d highest, cell %d lowest", x.label, seconds(x.long)/60, hi+1, lo+1))
}
