package plant

import "sync"

// Chemistry is a full cell's open-circuit voltage against state of charge, and
// how that voltage moves with temperature. It is immutable and shared.
type Chemistry struct {
	name  string
	table [tableSize + 1]float64 // V at equal steps of state of charge, at 25 degC
	// entropy is dU/dT in V/K at equal steps of state of charge.
	entropy []float64
}

// tableSize is the number of intervals: every multiple of 0.00025 is a node,
// so the published tables' nodes are ours too. Between nodes a straight line
// departs from the fits by less than 0.1 mV, at the steep ends.
const tableSize = 4000

// Name returns the chemistry's name: "LFP", "NMC811".
func (c *Chemistry) Name() string { return c.name }

// LFP is LFP against graphite: the positive electrode's fit by Afshar et al.
// 2017 (arXiv:1709.03970), the negative's by Chen et al. 2020
// (doi:10.1149/1945-7111/ab9050), with the capacities of Prada et al. 2013
// (doi:10.1149/2.053304jes), between 2.0 V empty and 3.6 V full.
func LFP() *Chemistry { return lfp() }

// NMC811 is NMC811 against graphite-SiOx, both fits and the capacities by Chen
// et al. 2020 (doi:10.1149/1945-7111/ab9050), between 2.5 V and 4.2 V.
func NMC811() *Chemistry { return nmc811() }

var lfp = sync.OnceValue(func() *Chemistry {
	c := fullCell(lfpHalf, electrodes{
		x0: 0.0176179, x100: 0.8100435, y0: 0.7035020, y100: 0.0037616,
		empty: 2.0, full: 3.6,
	})
	c.name = "LFP"
	// Of the usual size for LFP against graphite (from memory).
	c.entropy = []float64{
		-0.30e-3, -0.22e-3, -0.12e-3, -0.05e-3, 0.02e-3, 0.08e-3,
		0.12e-3, 0.10e-3, 0.04e-3, 0.02e-3, -0.02e-3,
	}
	return c
})

var nmc811 = sync.OnceValue(func() *Chemistry {
	c := fullCell(nmc811Half, electrodes{
		x0: 0.0263458, x100: 0.9106180, y0: 0.8539747, y100: 0.2638452,
		empty: 2.5, full: 4.2,
	})
	c.name = "NMC811"
	// Of the usual size for NMC against graphite (from memory).
	c.entropy = []float64{
		-0.45e-3, -0.30e-3, -0.15e-3, -0.08e-3, -0.02e-3, 0.03e-3,
		0.05e-3, 0.03e-3, 0.01e-3, -0.02e-3, -0.05e-3,
	}
	return c
})

// Linear is a chemistry whose voltage rises in a straight line from empty to
// full volts: a capacitor, or with both equal an ideal source. For closed forms.
func Linear(empty, full float64) *Chemistry {
	c := &Chemistry{name: "linear", entropy: []float64{0, 0}}
	for i := range c.table {
		c.table[i] = empty + float64((full-empty)*(float64(i)/tableSize))
	}
	return c
}

// OCV returns the open-circuit voltage at 25 degC, V. Outside 0 to 1 the end's
// slope goes on, about 30 V per capacity for LFP.
func (c *Chemistry) OCV(soc float64) float64 {
	x := float64(soc * tableSize)
	i := min(max(int(x), 0), tableSize-1)
	return c.table[i] + float64((x-float64(i))*(c.table[i+1]-c.table[i]))
}

// SoC returns the state of charge whose open-circuit voltage is v, by bisection
// from -0.5 to 1.5; the chemistry must not be flat there.
func (c *Chemistry) SoC(v float64) float64 {
	return bisect(-0.5, 1.5, func(s float64) bool { return c.OCV(s) < v })
}

// Entropy returns dU/dT, V/K; outside 0 to 1 the end's value.
func (c *Chemistry) Entropy(soc float64) float64 {
	n := len(c.entropy) - 1
	x := float64(min(max(soc, 0), 1) * float64(n))
	i := min(int(x), n-1)
	return c.entropy[i] + float64((x-float64(i))*(c.entropy[i+1]-c.entropy[i]))
}

// electrodes are the stoichiometries of both electrodes of an empty and a full
// cell, and the voltages that define empty and full.
type electrodes struct {
	x0, x100, y0, y100 float64
	empty, full        float64
}

// fullCell samples a full cell from its half cells. The stoichiometries are
// known to seven digits, which is microvolts at the steep ends; the steep one
// of each end is refined until empty and full have their exact voltages.
func fullCell(positive func(float64) float64, e electrodes) *Chemistry {
	e.x0 = bisect(e.x0-1e-5, e.x0+1e-5, func(x float64) bool {
		return positive(e.y0)-graphiteHalf(x) < e.empty
	})
	e.y100 = bisect(e.y100-1e-5, e.y100+1e-5, func(y float64) bool {
		return positive(y)-graphiteHalf(e.x100) > e.full
	})
	c := &Chemistry{}
	for i := range c.table {
		s := float64(i) / tableSize
		x := e.x0 + float64(s*(e.x100-e.x0))
		y := e.y0 + float64(s*(e.y100-e.y0))
		c.table[i] = positive(y) - graphiteHalf(x)
	}
	return c
}

// graphiteHalf is graphite-SiOx against lithium, V (Chen et al. 2020).
func graphiteHalf(x float64) float64 {
	return float64(1.9793*Exp(float64(-39.3631*x))) + 0.2482 -
		float64(0.0909*tanh(float64(29.8538*(x-0.1234)))) -
		float64(0.04478*tanh(float64(14.9159*(x-0.2769)))) -
		float64(0.0205*tanh(float64(30.4444*(x-0.6103))))
}

// nmc811Half is NMC811 against lithium, V (Chen et al. 2020).
func nmc811Half(y float64) float64 {
	return float64(-0.8090*y) + 4.4875 -
		float64(0.0428*tanh(float64(18.5138*(y-0.5542)))) -
		float64(17.7326*tanh(float64(15.7890*(y-0.3117)))) +
		float64(17.5842*tanh(float64(15.9308*(y-0.3120))))
}

// lfpHalf is LFP against lithium, V (Afshar et al. 2017).
func lfpHalf(y float64) float64 {
	return 3.4077 - float64(0.020269*y) + float64(0.5*Exp(float64(-150*y))) -
		float64(0.9*Exp(float64(-30*(1-y))))
}

// bisect returns where low stops holding between a and b.
func bisect(a, b float64, low func(float64) bool) float64 {
	for range 60 {
		m := float64(0.5 * (a + b))
		if low(m) {
			a = m
		} else {
			b = m
		}
	}
	return float64(0.5 * (a + b))
}
