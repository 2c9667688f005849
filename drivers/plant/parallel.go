package plant

import "github.com/rigwarden/rigwarden/drivers"

// Parallel is two modules joined at their terminals through a resistance, with
// nothing else connected.
type Parallel struct{ a, b *Module }

// NewParallel joins a and b, which it then owns, through ohms of leads.
func NewParallel(a, b *Module, ohms float64) (*Parallel, error) { return nil, nil }

// Advance moves time forward by d.
func (p *Parallel) Advance(d drivers.Span) {}

// Current returns the current into the first module, A.
func (p *Parallel) Current() float64 { return 0 }

// Heat returns the energy lost in cells, joints and leads since joining, J.
func (p *Parallel) Heat() float64 { return 0 }

// Modules returns both modules.
func (p *Parallel) Modules() (a, b *Module) { return p.a, p.b }
