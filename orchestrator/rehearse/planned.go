package rehearse

import (
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// judgePlan holds the plan against the files that it was made from: the tightest
// limit of all is the plan's (INV-10), and each step is bounded in time, charge
// and energy (INV-11).
func (x *rehearsal) judgePlan() {
	w, p, t := x.w, x.c.plan, x.t
	k, l := &t.Module.Maker, &p.Limits
	maker := profiles.LimitSet{
		CellMax: k.CellMax, CellMin: k.CellMin, ChargeMax: k.ChargeMax, DischargeMax: k.DischargeMax,
		ChargeTempMin: k.ChargeTempMin, ChargeTempMax: k.ChargeTempMax,
		DischargeTempMin: k.DischargeTempMin, DischargeTempMax: k.DischargeTempMax,
	}
	for _, x := range []struct {
		whose string
		set   *profiles.LimitSet
	}{{"the cell maker", &maker}, {"the module", &t.Module.Limits}, {"the bench", &t.Bench.Limits}, {"the profile", &t.Profile.Limits}} {
		s := x.set
		for _, y := range []struct {
			what         string
			plan, theirs int64
			upper        bool
		}{
			{"cell_max", int64(l.CellMax), int64(s.CellMax), true},
			{"cell_min", int64(l.CellMin), int64(s.CellMin), false},
			{"charge_max", int64(l.ChargeMax), int64(s.ChargeMax), true},
			{"discharge_max", int64(l.DischargeMax), int64(s.DischargeMax), true},
			{"temp_charge_max", int64(l.TempChargeMax), int64(s.ChargeTempMax), true},
			{"temp_charge_min", int64(l.TempChargeMin), int64(s.ChargeTempMin), false},
			{"temp_discharge_max", int64(l.TempDischargeMax), int64(s.DischargeTempMax), true},
			{"temp_discharge_min", int64(l.TempDischargeMin), int64(s.DischargeTempMin), false},
			{"temp_soft_max", int64(l.TempSoftMax), int64(s.SoftTemp), true},
		} {
			if y.theirs != 0 && y.plan != y.theirs && (y.plan > y.theirs) == y.upper {
				w.violate(10, "%s of the plan is %d, looser than %d of %s", y.what, y.plan, y.theirs, x.whose)
			}
		}
	}
	for i, ins := range p.Code {
		var b machine.Bounds
		switch ins.Op {
		case machine.OpDrive, machine.OpPulse:
			b = ins.Drive.Bounds
		case machine.OpBleed:
			b = ins.Bleed.Bounds
		default:
			continue
		}
		if b.Span <= 0 || b.Charge <= 0 || b.Energy <= 0 {
			w.violate(11, "instruction %d has no bound in time, charge or energy: %+v", i+1, b)
		}
	}
}
