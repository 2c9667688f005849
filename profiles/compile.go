package profiles

import "github.com/rigwarden/rigwarden/orchestrator/machine"

// Compile makes the plan of a profile for one module on one bench, or says
// everything that stands against it. It is the only compiler.
func Compile(p *Profile, m *Module, b *Bench) (*machine.Plan, []Problem) { return nil, nil }
