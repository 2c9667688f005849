package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// What a plan says of the article, so that another one than the file speaks of is
// found: by its voltage at rest, by its first small current, and by how its
// voltage follows the charge. What all of these miss is demanded as hardware
// (article_interlock).

// curve is the file's open-circuit voltage, for the machine.
func (m *Module) curve() (out []machine.CurvePoint) {
	for _, p := range m.OCV {
		out = append(out, machine.CurvePoint{SoCPPM: p.SoC, Voltage: p.Voltage})
	}
	return out
}

// probe is a run's first current: a twentieth of the rated capacity in an hour,
// or what the sensors can measure to a quarter of itself, in whole steps of both
// instruments.
func probe(m *Module, b *Bench) drivers.Microamps {
	i := max(int64(m.c20()), 8*int64(b.nearZero()))
	return drivers.Microamps(up(up(i, int64(b.Supply.CurrentStep)), int64(b.Load.CurrentStep)))
}

// possible narrows what a cell may read at rest to what the file's chemistry can
// show: no cell rests outside its open-circuit table.
func possible(r machine.Ready, m *Module, g *Budget) machine.Ready {
	r.CellMin = max(r.CellMin, m.ocv(0)-g.TapError)
	r.CellMax = min(r.CellMax, m.ocv(1_000_000)+g.TapError)
	return r
}
