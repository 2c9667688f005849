package plant

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Parallel is two modules joined at their terminals through a resistance, with
// nothing else connected.
type Parallel struct {
	a, b     *Module
	leads    float64 // Ohm
	leadHeat float64 // J
	start    float64 // J of heat in the modules before joining
	scratch  []cell
}

// NewParallel joins a and b, which it then owns, through ohms of leads. The
// modules' clocks must agree.
func NewParallel(a, b *Module, ohms float64) (*Parallel, error) {
	if a == nil || b == nil || a == b {
		return nil, fmt.Errorf("parallel: it takes two modules")
	}
	if !(ohms >= 0 && a.res+b.res+ohms > 0) {
		return nil, fmt.Errorf("parallel: leads of %g Ohm; the loop's resistance must be positive", ohms)
	}
	if a.now != b.now {
		return nil, fmt.Errorf("parallel: one module is %d us old, the other %d us", a.now, b.now)
	}
	p := &Parallel{a: a, b: b, leads: ohms, start: a.heat + b.heat}
	p.settle()
	return p, nil
}

// Advance moves time forward by d.
func (p *Parallel) Advance(d drivers.Span) {
	for end := p.a.now + d; p.a.now < end; {
		p.step(min(end-p.a.now, frameStep, p.a.untilWarm()))
	}
}

// loop returns the resistance around both modules.
func (p *Parallel) loop() float64 { return p.a.res + p.b.res + p.leads }

// step takes the mean of the currents at both ends of the step. How the
// difference of the voltages answers to the current is very nearly linear, so
// two trials find the mean that agrees with itself.
func (p *Parallel) step(dt drivers.Span) {
	d0 := p.b.emf - p.a.emf
	i0 := d0 / p.loop()
	rest := p.ahead(dt, 0)
	slope := 0.0
	if i0 != 0 {
		slope = (p.ahead(dt, i0) - rest) / i0
	}
	mean := (d0 + rest) / (float64(2*p.loop()) - slope)
	ends := float64(2 * (i0 - mean)) // difference of the current between both ends
	square := float64(mean*mean) + float64(ends*ends)/12
	p.a.step(dt, mean, square)
	p.b.step(dt, -mean, square)
	p.leadHeat += float64(float64(p.leads*square) * (float64(dt) / 1e6))
	p.settle()
}

// ahead returns the difference of the modules' voltages at no current after a
// step at a mean current.
func (p *Parallel) ahead(dt drivers.Span, mean float64) float64 {
	return p.b.peek(dt, -mean, &p.scratch) - p.a.peek(dt, mean, &p.scratch)
}

// settle finds the present current.
func (p *Parallel) settle() {
	into := p.b.emf > p.a.emf
	p.a.face(into)
	p.b.face(!into)
	i := (p.b.emf - p.a.emf) / p.loop()
	p.a.output(i)
	p.b.output(-i)
}

// Current returns the current into the first module, A.
func (p *Parallel) Current() float64 { return p.a.current }

// Heat returns the energy lost in cells, joints and leads since joining, J.
func (p *Parallel) Heat() float64 { return p.a.heat + p.b.heat - p.start + p.leadHeat }

// Modules returns both modules, for looking and for their faults and bleeds.
func (p *Parallel) Modules() (a, b *Module) { return p.a, p.b }

// Clone returns a pair that shares nothing mutable with p.
func (p *Parallel) Clone() *Parallel {
	n := *p
	n.a, n.b, n.scratch = p.a.Clone(), p.b.Clone(), nil
	return &n
}
