package pack

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Forecast is what the pack will give, over everything that was not measured
// exactly: medians and intervals that hold the value with the probability Coverage.
type Forecast struct {
	Charge   Estimate `json:"charge_Ah"`
	Energy   Estimate `json:"energy_Wh"`
	Coverage float64  `json:"coverage"`
	Draws    int      `json:"draws"`
	Seed     uint64   `json:"seed"`
}

// Estimate is a median with its interval.
type Estimate struct {
	Median float64 `json:"median"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
}

// forecast draws capacities, resistances and self-discharge from their
// distributions (JCGM 101:2008, 7) and computes the pack's yield for each draw. The
// least of many uncertain modules is less than each of them seems: the median lies
// under what the measured values give.
func (m *model) forecast(list []Candidate, sets [][]int, o Options) Forecast {
	r := rand.New(rand.NewPCG(o.Seed, 1))
	var used []int
	for _, members := range sets {
		used = append(used, members...)
	}
	slices.Sort(used)
	n := &numbers{
		charge: make([]float64, len(list)), ohms: make([]float64, len(list)),
		leak: make([]float64, len(list)), volts: m.volts,
	}
	d := newDice(list, used)
	charges, energies := make([]float64, o.Draws), make([]float64, o.Draws)
	drawn := *m.layout
	for k := range o.Draws {
		d.shake(r)
		for j, i := range used {
			q := &d.quantities[3*j]
			n.charge[i] = max(q.draw(r, d.errs), 0)
			n.ohms[i] = max(d.quantities[3*j+1].draw(r, d.errs), list[i].Resistance.Value/100)
			n.leak[i] = d.quantities[3*j+2].draw(r, d.errs)
		}
		drawn.PerKelvin = m.layout.PerKelvin + m.layout.PerKelvinWithin*(2*r.Float64()-1)
		y := newModel(&drawn, n).of(sets)
		charges[k], energies[k] = y.charge, y.energy
	}
	return Forecast{Charge: estimate(charges), Energy: estimate(energies), Coverage: gum.Level, Draws: o.Draws, Seed: o.Seed}
}

// dice draw the quantities of the modules in use, three each.
type dice struct {
	quantities []die
	errs       []float64 // of the shared sources, in their standard uncertainties
}

// die draws one quantity.
type die struct {
	value, own float64
	spread     gum.Spread
	shared     []part
}

type part struct {
	source int
	u      float64
}

func newDice(list []Candidate, used []int) *dice {
	d := &dice{}
	number := map[string]int{}
	for _, i := range used {
		for _, q := range []*Quantity{&list[i].Capacity, &list[i].Resistance, &list[i].Leak} {
			x := die{value: q.Value, own: 1, spread: q.Spread}
			common := 0.0
			for _, s := range slices.Sorted(maps.Keys(q.Shared)) { // a seed gives the same sums
				if _, known := number[s]; !known {
					number[s] = len(number)
				}
				x.shared = append(x.shared, part{number[s], q.Shared[s]})
				common += q.Shared[s] * q.Shared[s]
			}
			if u := q.Spread.U(); u > 0 {
				// What remains when the shared parts are taken off keeps its shape.
				x.own = math.Sqrt(max(1-common/(u*u), 0))
			}
			d.quantities = append(d.quantities, x)
		}
	}
	d.errs = make([]float64, len(number))
	return d
}

// shake draws the shared errors: from a rectangle with standard deviation 1, since
// an instrument's error lies anywhere within its declared accuracy.
func (d *dice) shake(r *rand.Rand) {
	for i := range d.errs {
		d.errs[i] = math.Sqrt(3) * (2*r.Float64() - 1)
	}
}

// draw returns a value that may be the true one.
func (d *die) draw(r *rand.Rand, errs []float64) float64 {
	x := d.value
	for _, p := range d.shared {
		x += p.u * errs[p.source]
	}
	return x + d.own*drawSpread(&d.spread, r)
}

// studentsMost is the degrees of freedom from which Student's distribution is
// taken for a normal one.
const studentsMost = 200

func drawSpread(s *gum.Spread, r *rand.Rand) float64 {
	x := 0.0
	if s.Scale > 0 {
		x = s.Scale * r.NormFloat64()
		if dof := int(math.Ceil(s.DoF)); dof > 0 && dof < studentsMost {
			squares := 0.0
			for range dof {
				z := r.NormFloat64()
				squares += z * z
			}
			x *= math.Sqrt(float64(dof) / squares)
		}
	}
	for _, a := range s.Boxes {
		x += a * (2*r.Float64() - 1)
	}
	return x
}

func estimate(list []float64) Estimate {
	slices.Sort(list)
	at := func(p float64) float64 { // the (n-1)p rule
		k := p * float64(len(list)-1)
		i := min(int(k), len(list)-2)
		return list[i] + (k-float64(i))*(list[i+1]-list[i])
	}
	tail := (1 - gum.Level) / 2
	return Estimate{Median: at(0.5), Low: at(tail), High: at(1 - tail)}
}
