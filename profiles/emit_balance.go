package profiles

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// balance compiles to: charge the highest cell to the hold, open, let the cells
// settle and bleed what the planner says, compare, and go round a bounded
// number of times.
func (c *compiler) balance(s *StepSpec) {
	spec := &s.Balance
	e, ok := c.ends(s, &spec.TopUp, "top_up.")
	if c.b.Monitor.Bleed == 0 {
		c.r.Add(s.Pos, "this bench's monitor has no bleed resistors", "take a bench that declares monitor.bleed")
		ok = false
	}
	if !ok {
		return
	}
	settle, chunk, rounds := or(spec.Settle, settleDefault), or(spec.Chunk, chunkDefault), or(spec.Rounds, roundsDefault)
	c.shutIf(s)
	once := c.passes
	bleeding := c.bleedTime()
	c.passes *= min(rounds, 1+int((bleeding+chunk-1)/chunk))
	head := c.here()
	// Each round but the first finds what the one before bled off, shared by
	// all cells.
	c.model.soc -= typicalImbalance / 2 * Ppm(once) / Ppm(c.passes)
	c.emitDrive(s, "top-up", "charge", &spec.TopUp, e)
	c.open(s, "open")
	imbalance := c.bleed(s, settle, chunk, once)
	check := c.emit(machine.Instruction{Op: machine.OpCompare, Compare: &machine.Compare{Register: imbalance, Op: "<=", Value: spec.Target}})
	c.shut(s, "close")
	c.emit(machine.Instruction{Op: machine.OpJump, Jump: &machine.Jump{Target: head, Max: max(1, (rounds-1)*c.most)}})
	c.emit(machine.Instruction{Op: machine.OpEnd, End: &machine.End{Failed: true,
		Reason: fmt.Sprintf("%s did not reach %s in %d rounds", c.prefix+s.Label, FormatQuantity(spec.Target, DimRatio), rounds)}})
	c.passes = once
	c.settled(s, head, check)
	c.closed, c.balanced = false, true
}

// settled emits what follows once the target is reached. What the planner could
// still bleed there it has bled, and nobody looked at the result or filled the
// cells up again; a few more rounds leave a module that is as full and as
// balanced as its record says.
func (c *compiler) settled(s *StepSpec, head, check int) {
	most := moreRounds * c.most
	again := c.here()
	c.shut(s, "close again")
	c.emit(machine.Instruction{Op: machine.OpJump, Jump: &machine.Jump{Target: head, Max: most}})
	// Whoever comes here was counted below already.
	c.emit(machine.Instruction{Op: machine.OpEnd, End: &machine.End{Failed: true,
		Reason: c.prefix + s.Label + " went on for more rounds than it may"}})
	c.plan.Code[check].Compare.Then = c.here()
	left := c.plan.Code[check-1].Bleed.Left
	done := c.emit(machine.Instruction{Op: machine.OpCompare, Compare: &machine.Compare{Register: left, Op: "<="}})
	c.emit(machine.Instruction{Op: machine.OpJump, Jump: &machine.Jump{Target: again, Max: most}})
	// Both belong to the bleeding: closing again has not begun yet.
	for i := done; i < c.here(); i++ {
		c.plan.Code[i].Step = c.plan.Code[check].Step
	}
	c.plan.Code[done].Compare.Then = c.here()
}

// bleed emits one round. It runs once for each time the whole step does, in
// c.passes rounds together.
func (c *compiler) bleed(s *StepSpec, settle, chunk drivers.Span, once int) (imbalance int) {
	spec := &s.Balance
	i := c.bleedCurrent()
	most := drivers.Charge(mulDivUp(int64(i)*int64(c.m.Series), int64(chunk), 1000))
	bounds := machine.Bounds{
		// Each cell bleeds for a chunk at most, and may have to wait for its
		// neighbours and for warm resistors to cool.
		Span:   2*c.turns()*chunk + settle + 5*drivers.Minute,
		Charge: most,
		Energy: energy(c.eff.CellMax, most),
	}
	bounds = bounded(bounds, spec.AtMost)
	c.begin(s, "bleed", "balance", forecast{span: settle + c.bleedTime()*drivers.Span(once)/drivers.Span(c.passes)})
	imbalance = c.register(c.prefix + s.Label + " imbalance")
	c.emit(machine.Instruction{Op: machine.OpBleed, Bleed: &machine.Bleed{
		TargetPPM: spec.Target, Capacity: c.m.Rated, Chunk: chunk, Settle: settle,
		TempMax: or(spec.TempMax, c.plan.Limits.TempSoftMax-2_000), Bounds: bounds,
		Imbalance: imbalance, Left: c.register(c.prefix + s.Label + " left"),
	}})
	return imbalance
}

// bleedCurrent is the greatest current of one bleed path.
func (c *compiler) bleedCurrent() drivers.Microamps {
	return drivers.Microamps(mulDivUp(int64(c.eff.CellMax), 1_000_000, int64(c.b.Monitor.Bleed)))
}

// bleedTime is how long a typical imbalance takes to bleed off. Where neighbours
// take turns, the pair that needs longest decides: its second cell has half of
// the typical imbalance, as cells have on average.
func (c *compiler) bleedTime() drivers.Span {
	q := mulDiv(int64(c.m.Rated), typicalImbalance, 1_000_000)
	t := drivers.Span(mulDiv(q, 1000*int64(c.b.Monitor.Bleed), 1_000_000) / int64(c.m.Nominal))
	return t * (c.turns() + 1) / 2
}

// turns is how many sets of cells bleed one after the other.
func (c *compiler) turns() drivers.Span {
	if c.b.Monitor.BleedNeighbours {
		return 1
	}
	return 2
}
