package profiles

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// balance compiles to: charge the highest cell to the hold, open, let the cells
// settle and bleed what the planner says, or, where both conditions are met, see
// that they hold; compare, and go round a bounded number of times.
func (c *compiler) balance(s *StepSpec) {
	spec := &s.Balance
	e, ok := c.ends(s, &spec.TopUp, "top_up.")
	if c.b.Monitor.Bleed == 0 {
		c.r.Add(s.Pos, "this bench's monitor has no bleed resistors", "take a bench that declares monitor.bleed")
		ok = false
	}
	if !ok || !c.tells(s) {
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
	unmet := c.bleed(s, settle, chunk, once)
	check := c.emit(machine.Instruction{Op: machine.OpCompare, Compare: &machine.Compare{Register: unmet, Op: "<="}})
	c.shut(s, "close")
	c.emit(machine.Instruction{Op: machine.OpJump, Jump: &machine.Jump{Target: head, Max: max(1, (rounds-1)*c.most)}})
	c.emit(machine.Instruction{Op: machine.OpEnd, End: &machine.End{Failed: true,
		Reason: fmt.Sprintf("not balanced: %s did not reach %s in %d rounds", c.prefix+s.Label, FormatQuantity(spec.Target, DimRatio), rounds)}})
	c.passes = once
	c.plan.Code[check].Compare.Then = c.here()
	c.closed, c.balanced = false, true
}

// bleed emits one round. It runs once for each time the whole step does, in
// c.passes rounds together.
func (c *compiler) bleed(s *StepSpec, settle, chunk drivers.Span, once int) (unmet int) {
	spec := &s.Balance
	held, part := or(spec.HeldFor, settle), drivers.Span(c.passes/once)
	i := c.bleedCurrent()
	most := drivers.Charge(mulDivUp(int64(i)*int64(c.m.Series), int64(chunk), 1000))
	bounds := machine.Bounds{
		// Each cell bleeds for a chunk at most, and may have to wait for its
		// neighbours and for warm resistors to cool.
		Span:   2*c.turns()*chunk + settle + held + 5*drivers.Minute,
		Charge: most,
		Energy: energy(c.eff.CellMax, most),
	}
	bounds = bounded(bounds, spec.AtMost)
	c.begin(s, "bleed", "balance", forecast{span: settle + (c.bleedTime()+held)/part})
	name := c.prefix + s.Label
	b := &machine.Bleed{
		TargetPPM: spec.Target, Capacity: c.m.Rated, Chunk: chunk, Settle: settle, Held: held, SpreadMax: spec.Spread,
		TempMax: or(spec.TempMax, c.plan.Limits.TempSoftMax-2_000), Bounds: bounds,
		Imbalance: c.register(name + " imbalance"), Left: c.register(name + " left"), Unmet: c.register(name + " unmet"),
	}
	if at, apart := c.apart(spec); b.SpreadMax == 0 && apart > 3*c.tapDoubt(at) {
		b.SpreadMax = apart + 3*c.tapDoubt(at)
	}
	c.emit(machine.Instruction{Op: machine.OpBleed, Bleed: b})
	return b.Unmet
}

// tells refuses a top-up that ends where the open-circuit curve is so flat that
// cells apart by the target read alike, unless the profile accepts it.
func (c *compiler) tells(s *StepSpec) bool {
	spec := &s.Balance
	at, apart := c.apart(spec)
	doubt := c.tapDoubt(at)
	if apart > 3*doubt {
		return true
	}
	little := fmt.Sprintf("voltage says little about balance at %s/cell: on this flat part of the open-circuit curve %s of the charge is %.1f mV, and taps are uncertain by %.1f mV",
		FormatQuantity(int64(at), DimVoltage), FormatQuantity(spec.Target, DimRatio), float64(apart)/1000, float64(doubt)/1000)
	if spec.Flat {
		c.emit(machine.Instruction{Op: machine.OpNote, Note: &machine.Note{Text: little + "; the profile accepts it"}})
		return true
	}
	right := "balance to a wider target, or by finer taps; flat_curve: accept goes on all the same"
	if least := c.steep(spec); least > 0 {
		right = fmt.Sprintf("hold at %s/cell or more; flat_curve: accept goes on all the same", FormatQuantity(int64(least), DimVoltage))
	}
	c.r.Add(or(s.at["top_up.hold"], s.Pos), little, right)
	return false
}

// apart is the voltage where the top-up ends, and by how much less a cell reads
// there that is behind by the target, both by the module's own curve.
func (c *compiler) apart(spec *BalanceSpec) (at, apart drivers.Microvolts) {
	at = min(spec.TopUp.Hold, c.m.OCV[len(c.m.OCV)-1].Voltage)
	return at, at - c.m.ocv(c.m.charged(at)-spec.Target)
}

// tapDoubt is the standard uncertainty of a tap: a declared accuracy is a bound,
// taken as equally likely inside (GUM 4.3.7).
func (c *compiler) tapDoubt(at drivers.Microvolts) drivers.Microvolts {
	m := &c.b.Monitor
	return drivers.Microvolts(mulDivUp(int64(m.CellAccuracy.At(int64(at)))+int64(m.CellStep)/2, 1000, 1732))
}

// steep is the least voltage from which on the curve tells the target, to 10 mV;
// 0: none that the limits allow.
func (c *compiler) steep(spec *BalanceSpec) drivers.Microvolts {
	const grid = 10_000
	probe, least := *spec, drivers.Microvolts(0)
	for v := c.eff.CellMax / grid * grid; v > c.m.OCV[0].Voltage; v -= grid {
		probe.TopUp.Hold = v
		if at, apart := c.apart(&probe); apart <= 3*c.tapDoubt(at) {
			break
		}
		least = v
	}
	return least
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
