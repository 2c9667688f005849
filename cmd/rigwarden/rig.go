package main

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// ratio turns parts per million into what the physics counts in.
func ratio(ppm profiles.Ppm) float64 { return float64(ppm) / 1e6 }

// virtualRig says what the virtual bench of a bench file is made of. The module
// may be nil: then the article has the shipped module's capacity.
func virtualRig(b *profiles.Bench, m *profiles.Module, start drivers.Instant) virtual.Config {
	a := virtual.DefaultArticle()
	c := virtual.Config{Bench: b.Bench, Start: start, Seed: 1}
	if m != nil {
		a.Chemistry, a.Series, a.Capacity, a.Terminals = m.Chemistry, m.Series, m.Rated, m.TerminalResistance
	}
	if v := b.Virtual; v != nil {
		c.Seed = v.Seed
		if v.Chemistry != "" {
			a.Chemistry = v.Chemistry
		}
		if v.Rated != 0 {
			a.Capacity = v.Rated
		}
		a.Capacity = drivers.Charge(float64(a.Capacity) * ratio(v.Capacity))
		a.SoC = ratio(v.StateOfCharge)
		a.Ambient = v.Ambient
		a.Spread = plant.Spread{
			// The file gives full ranges, the physics greatest deviations.
			Capacity: ratio(v.CapacitySpread) / 2, Resistance: ratio(v.ResistanceSpread) / 2, SoC: ratio(v.StateSpread) / 2,
			SelfDischarge: a.Spread.SelfDischarge, Joint: a.Spread.Joint, Kelvin: a.Spread.Kelvin,
		}
	}
	c.Article = a
	return c
}

// planner makes the balance planner of a run from what the module's file tells
// of its cells.
func planner(plan *machine.Plan, m *profiles.Module) (bench.Planner, error) {
	curve := balance.Curve{}
	for _, p := range m.OCV {
		curve.Points = append(curve.Points, balance.Point{SoCPPM: p.SoC, Voltage: p.Voltage})
	}
	return balance.New(plan, curve)
}
