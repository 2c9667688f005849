package profiles

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// ProveSpec is one row of a protection proof.
type ProveSpec struct {
	Protection machine.Protection
	Current    Rate
	Within     drivers.Span
}

// protections are the words of a file for what can be proved, by its limits'
// names where there is one.
var provable = []struct {
	word   string
	proves machine.Protection
}{
	{"cell_max", machine.ProveCellHigh}, {"cell_min", machine.ProveCellLow},
	{"charge_max", machine.ProveChargeHigh}, {"discharge_max", machine.ProveDischargeHigh},
	{"temperature_max", machine.ProveTempHigh}, {"temperature_min", machine.ProveTempLow},
	{"stale_frames", machine.ProveStale}, {"lease", machine.ProveLease}, {"emergency_stop", machine.ProveStop},
}

// ProtectionWord is how files write a protection.
func ProtectionWord(p machine.Protection) string {
	for _, x := range provable {
		if x.proves == p {
			return x.word
		}
	}
	return string(p)
}

func readProve(f *tree.Fields) ProveSpec {
	var words []string
	for _, x := range provable {
		words = append(words, x.word)
	}
	p := ProveSpec{
		Current: readRate(f, "current", true),
		Within:  drivers.Span(f.Quantity("within", false, DimTime, tree.Within(5_000_000, 1_800_000_000))),
	}
	word := f.Choice("limit", true, words...)
	if i := slices.Index(words, word); i >= 0 {
		p.Protection = provable[i].proves
	}
	return p
}

// How long a proof waits for its trip, where the profile says nothing, and what a
// row takes in the mean: closing, flowing, opening, arming again.
const (
	proveWithin = drivers.Minute
	personFor   = 5 * drivers.Minute
	proveTakes  = 15 * drivers.Second
	proveFlows  = 2 * drivers.Second
)

// prove compiles a row to a drive that expects a trip; after it the contactors are
// open.
func (c *compiler) prove(s *StepSpec) {
	spec := &s.Prove
	person := spec.Protection == machine.ProveStop
	d := DriveSpec{
		Charge:  spec.Protection != machine.ProveCellLow && spec.Protection != machine.ProveDischargeHigh,
		Current: spec.Current, For: or(spec.Within, proveWithin),
	}
	if person {
		d.For = or(spec.Within, personFor)
	}
	if person && !c.p.Attended {
		c.r.Addf(s.Pos, "write `attended: yes`, or leave the row to a profile that has somebody beside it",
			"%s is proved by a person, and the profile runs with nobody there", ProtectionWord(spec.Protection))
	}
	e, ok := c.ends(s, &d, "")
	x := c.expect(s, &d, e)
	if !ok || x == nil {
		return
	}
	c.shutIf(s)
	before := c.model
	c.emitDrive(s, "", "prove", &d, e)
	c.model = before
	step := &c.plan.Steps[len(c.plan.Steps)-1]
	step.Predicted, step.Charge, step.Energy = proveTakes, 0, 0
	c.plan.Code[len(c.plan.Code)-1].Drive.Expect = x
	c.plan.BenchDigest = c.b.Digest
	c.closed = false
	if spec.Protection == machine.ProveStop {
		c.begin(s, "released", "ask", forecast{})
		c.emit(machine.Instruction{Op: machine.OpAsk, Ask: &machine.Ask{Text: "release the emergency stop, then confirm"}})
	}
}

// expect says what is shifted, how far, and in which times the bench must be off.
// Nil where the row can prove nothing.
func (c *compiler) expect(s *StepSpec, d *DriveSpec, e ends) *machine.Expect {
	l, mon := &c.plan.Limits, &c.b.Monitor
	x := &machine.Expect{Protection: s.Prove.Protection}
	wait := l.CurrentPersistence
	switch x.Protection {
	case machine.ProveCellHigh, machine.ProveCellLow:
		wait = l.CellPersistence
		if x.Beyond = c.beyond(s, e.current); x.Beyond == 0 {
			return nil
		}
	case machine.ProveTempHigh, machine.ProveTempLow:
		wait = l.TempPersistence
		x.Beyond = -pastReading
	case machine.ProveChargeHigh, machine.ProveDischargeHigh:
		if x.Current = e.current / 2; x.Current < 4*l.NearZero {
			c.r.Addf(or(s.at["current"], s.Pos), "at least "+amps(8*l.NearZero), "half of %s is too near to no current to be a limit", amps(e.current))
			return nil
		}
	case machine.ProveStale:
		wait = l.Stale
	case machine.ProveLease:
		wait = c.b.Lease + c.budget.SwitchOff // the outputs' own reading tells
	case machine.ProveStop:
		wait, x.Ask = 0, "current flows: press the emergency stop now"
	}
	// A breach begins and ends between two frames and a frame may be late by one;
	// what follows shows in the next two.
	x.Off = wait + 3*mon.Period
	x.Zero = x.Off + c.b.HaltPath + c.budget.SwitchOff + 2*mon.Period + mon.Skew + mon.Window
	x.Open = x.Zero + c.b.Box.OpeningTime + c.b.Box.SwitchTime + 2*mon.Period
	return x
}

// pastReading is how far within a temperature's reading its limit is shifted, mK.
const pastReading = 1_000

// beyond is how far past the highest or lowest cell at rest its limit is shifted:
// a third of what the current moves it at once, so that it goes through whatever
// its resistance is in health. 0 where the sensors cannot tell it from nothing.
func (c *compiler) beyond(s *StepSpec, i drivers.Microamps) int64 {
	step := int64(c.b.Monitor.CellStep)
	by := down(int64(drop(i, c.m.CellResistance))/3, step)
	meter := c.b.Meter.VoltageAcc.At(int64(c.m.Series) * int64(c.eff.CellMax))
	least := max(2*int64(c.budget.TapError)+2*step, mulDivUp(6, meter, int64(c.m.Series)))
	if by >= least {
		return by
	}
	need := drivers.Microamps(up(mulDivUp(3*(least+step), 1_000_000, int64(c.m.CellResistance)), int64(c.b.Supply.CurrentStep)))
	c.r.Addf(or(s.at["current"], s.Pos), "at least "+amps(need), "%s moves a cell by %s, which taps and meter cannot tell from nothing",
		amps(i), FormatQuantity(3*by, DimVoltage))
	return 0
}

// anyProof is how old a proof may be: a day at least, for it takes a person.
var anyProof = tree.Within(86_400_000_000, 400*86_400_000_000)

// ProofWithin is how old a proof of protections may be for a run of the profile on
// the bench, the less of what both say; 0: neither demands one.
func ProofWithin(p *Profile, b *Bench) drivers.Span {
	if p.ProofWithin == 0 || b.ProofWithin == 0 {
		return p.ProofWithin + b.ProofWithin
	}
	return min(p.ProofWithin, b.ProofWithin)
}
