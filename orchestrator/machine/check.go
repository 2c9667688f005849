package machine

import "fmt"

// Check reports the first thing in a plan that the machine could not run
// safely. The compiler never makes such a plan; a stored or hand-made one may
// be anything.
func (p *Plan) Check() error {
	switch {
	case len(p.Code) == 0:
		return fmt.Errorf("plan has no code")
	case p.Layout.Cells() != p.Series:
		return fmt.Errorf("plan has %d cell channels for %d cells in series", p.Layout.Cells(), p.Series)
	case p.Layout.Temps() == 0:
		return fmt.Errorf("plan has no temperature channel")
	case p.CellResistance <= 0 || p.Rated <= 0:
		return fmt.Errorf("plan needs a cell resistance and a rated capacity above zero")
	case p.Bench.Monitor.Period <= 0 || p.Bench.Lease <= 0 || p.Limits.Stale <= 0:
		return fmt.Errorf("plan needs a monitor period, a lease and a stale limit above zero")
	case p.Bench.Box.DifferenceMax <= 0 || p.Bench.Box.OpeningTime <= 0 || p.Bench.Box.Precharge <= 0:
		return fmt.Errorf("plan needs the contactor box's precharge resistance, allowed difference and opening time")
	case p.Bench.Supply.CurrentStep <= 0 || p.Bench.Load.CurrentStep <= 0:
		return fmt.Errorf("plan needs the current steps of supply and load")
	}
	for i := range p.Code {
		if err := p.checkInstruction(i, &p.Code[i]); err != nil {
			return fmt.Errorf("plan code %d: %w", i, err)
		}
	}
	return nil
}

func (p *Plan) checkInstruction(at int, ins *Instruction) error {
	if ins.Step < 0 || ins.Step >= len(p.Steps) {
		return fmt.Errorf("step %d does not exist; the plan has %d", ins.Step, len(p.Steps))
	}
	parts := map[Op]bool{
		OpDrive: ins.Drive != nil, OpPulse: ins.Drive != nil, OpWait: ins.Wait != nil, OpBleed: ins.Bleed != nil,
		OpSwitch: ins.Switch != nil, OpAsk: ins.Ask != nil, OpCompare: ins.Compare != nil, OpJump: ins.Jump != nil,
		OpNote: ins.Note != nil, OpEnd: ins.End != nil,
	}
	has, known := parts[ins.Op]
	switch {
	case !known:
		return fmt.Errorf("unknown operation %q", ins.Op)
	case !has:
		return fmt.Errorf("operation %s lacks its part", ins.Op)
	}
	switch ins.Op {
	case OpDrive, OpPulse:
		if err := p.checkDrive(ins.Drive); err != nil {
			return err
		}
		if err := ins.Drive.checkLead(ins.Op); err != nil {
			return err
		}
		return p.checkExpect(at, ins)
	case OpWait:
		if ins.Wait.Span <= 0 {
			return fmt.Errorf("wait of %d us; expected more than zero", ins.Wait.Span)
		}
	case OpBleed:
		b := ins.Bleed
		if b.Chunk <= 0 || b.Bounds.Span <= 0 || b.Bounds.Charge <= 0 || b.Capacity <= 0 || b.TempMax <= 0 {
			return fmt.Errorf("bleed needs a chunk, a bound, a capacity and a temperature limit")
		}
		if b.Held < 0 || b.Settle < 0 || b.SpreadMax < 0 {
			return fmt.Errorf("bleed settles, holds and spreads by no less than nothing")
		}
		return p.register(b.Imbalance, b.Left, b.Unmet)
	case OpSwitch:
		if s := ins.Switch; s.Close && (s.Tau <= 0 || s.Max <= s.Tau || s.FinalPerMille <= 0 || s.TauPerMille <= 0 || s.TauPerMille >= 1000) {
			return fmt.Errorf("closing needs a time constant with a tolerance under 1000 per mille, a final value and a greatest length above the time constant")
		}
	case OpCompare:
		return p.checkCompare(at, ins.Compare)
	case OpJump:
		if ins.Jump.Target < 0 || ins.Jump.Target > len(p.Code) || ins.Jump.Max < 0 {
			return fmt.Errorf("jump to %d at most %d times; expected a place in the code", ins.Jump.Target, ins.Jump.Max)
		}
	}
	return nil
}

func (p *Plan) checkDrive(d *Drive) error {
	b := d.Bounds
	switch {
	case d.Direction != Charging && d.Direction != Discharging:
		return fmt.Errorf("direction %q; expected %q or %q", d.Direction, Charging, Discharging)
	case d.Current <= 0:
		return fmt.Errorf("current %d uA; expected more than zero", d.Current)
	case d.Direction == Charging && d.Current > p.Limits.ChargeMax, d.Direction == Discharging && d.Current > p.Limits.DischargeMax:
		return fmt.Errorf("current %d uA is over the limit for %s", d.Current, d.Direction)
	case d.Direction == Charging && d.Current > p.SupplyArm.CurrentMax, d.Direction == Discharging && d.Current > p.LoadArm.CurrentMax:
		return fmt.Errorf("current %d uA is over the limit armed in the instrument", d.Current)
	case d.ChargeOf > 0 && d.PerMille <= 0:
		return fmt.Errorf("a share of a register needs its per mille")
	case b.Span <= 0 || b.Charge <= 0 || b.Energy <= 0:
		return fmt.Errorf("drive without bounds in time, charge and energy (INV-11)")
	case d.Hold == 0 && d.CellEnd == 0 && d.Span == 0 && d.Charge == 0 && d.ChargeOf == 0:
		return fmt.Errorf("drive without an end")
	}
	if d.Push < 0 || d.Push > len(p.Lists) {
		return fmt.Errorf("list %d does not exist", d.Push)
	}
	return p.register(d.SaveCharge, d.SaveEnergy, d.ChargeOf)
}

func (p *Plan) checkCompare(at int, x *Compare) error {
	switch {
	case x.Then <= at || x.Then > len(p.Code):
		return fmt.Errorf("compare goes to %d; expected a later place in the code (only a jump goes back, and counts)", x.Then)
	case x.List < 0 || x.List > len(p.Lists):
		return fmt.Errorf("list %d does not exist", x.List)
	case x.List == 0 && x.Register == 0:
		return fmt.Errorf("compare without a register or list")
	case x.List == 0 && x.Op != "<=" && x.Op != ">=":
		return fmt.Errorf("compare by %q; expected <= or >=", x.Op)
	}
	return p.register(x.Register)
}

func (p *Plan) register(indexes ...int) error {
	for _, r := range indexes {
		if r < 0 || r > len(p.Registers) {
			return fmt.Errorf("register %d does not exist; the plan has %d", r, len(p.Registers))
		}
	}
	return nil
}
