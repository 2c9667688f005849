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
// modules' voltages answer to the current is very nearly linear within a step,
// so the mean that agrees with itself is known beforehand.
func (p *Parallel) step(dt drivers.Span) {
	r := p.loop()
	restA, slopeA := p.a.outlook(dt)
	restB, slopeB := p.b.outlook(dt)
	d0 := p.b.emf - p.a.emf
	mean := (d0 + restB - restA) / (float64(2*r) + slopeA + slopeB)
	ends := float64(2 * (d0/r - mean)) // difference of the current between both ends
	square := float64(mean*mean) + float64(ends*ends)/12
	p.a.step(dt, mean, square)
	p.b.step(dt, -mean, square)
	p.leadHeat += float64(float64(p.leads*square) * (float64(dt) / 1e6))
	p.settle()
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
	n.a, n.b = p.a.Clone(), p.b.Clone()
	return &n
}
