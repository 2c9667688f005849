package machine

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// Protection names what a proof trips.
type Protection string

// The protections that can be proved.
const (
	ProveCellHigh      Protection = "cell_high"
	ProveCellLow       Protection = "cell_low"
	ProveTempHigh      Protection = "temp_high"
	ProveTempLow       Protection = "temp_low"
	ProveChargeHigh    Protection = "charge_high"
	ProveDischargeHigh Protection = "discharge_high"
	ProveStale         Protection = "stale"
	ProveStop          Protection = "emergency_stop"
	ProveLease         Protection = "lease"
)

// Protections lists them all.
var Protections = []Protection{ProveCellHigh, ProveCellLow, ProveTempHigh, ProveTempLow, ProveChargeHigh, ProveDischargeHigh, ProveStale, ProveStop, ProveLease}

// Expect makes a drive the proof of one protection.
type Expect struct {
	Protection Protection `json:"protection"`
	// Beyond is how far past the reading at rest the limit is shifted: uV for
	// cells, which the current then drives through it; mK for temperatures.
	// A negative one lies within the reading: the limit passes the reading and
	// not the reading the limit, so that no sensor is proved. No gentle current
	// warms a module, and nobody is to touch one that is connected.
	Beyond int64 `json:"beyond,omitempty"`
	// Current is the shifted limit of a current, a magnitude.
	Current drivers.Microamps `json:"current_uA,omitempty"`
	// Ask is what a person beside the bench is to do meanwhile; empty: nothing. The
	// article is connected: nothing but the emergency stop may be touched.
	Ask string `json:"ask,omitempty"`
	// Off, Zero and Open are how long after the first reading beyond the limit
	// the off command, no current and open contactors may come at most.
	Off  drivers.Span `json:"off_us"`
	Zero drivers.Span `json:"zero_us"`
	Open drivers.Span `json:"open_us"`
}

// Proof is one row of a protection proof: what was tripped, at which reading, how
// long it took, and what of the way from the quantity to open contactors it has
// exercised.
type Proof struct {
	Protection Protection
	Passed     bool
	Step       int
	Label      string
	// Limit is where the limit was shifted to, in the quantity's base unit; for
	// stale data and the lease the time in us that had to run out.
	Limit int64
	// Finding is what tripped; its cause is none where nothing did.
	Finding guard.Finding
	// ToOff, ToZero and ToOpen are from the first reading beyond the limit, or
	// from the moment at which data or lease were held back, to the off command,
	// to the first measurement of no current and to contactors that read open;
	// -1: not seen. Off, Zero and Open are what was allowed.
	ToOff, ToZero, ToOpen drivers.Span
	Off, Zero, Open       drivers.Span
	Links                 Link
	// ZeroBy and OpenBy name the channels, other than the commanded instruments'
	// own, that showed no current and open contactors; empty: none did.
	ZeroBy, OpenBy string
	// Text says what went wrong.
	Text string
}

func (Proof) action() {}

func (a Proof) String() string {
	return printLine(wordProof, func(l *line) { visitProof(l, &a) })
}

func visitProof(l *line, a *Proof) {
	text(l, "protection", &a.Protection)
	boolean(l, "passed", &a.Passed)
	num(l, "step", &a.Step)
	text(l, "label", &a.Label)
	num(l, "shifted_to", &a.Limit)
	num(l, "cause", &a.Finding.Cause)
	num(l, "channel", &a.Finding.Channel)
	num(l, "value", &a.Finding.Value)
	num(l, "limit", &a.Finding.Limit)
	num(l, "since", &a.Finding.Since)
	boolean(l, "hard", &a.Finding.Hard)
	num(l, "to_off_us", &a.ToOff)
	num(l, "to_zero_us", &a.ToZero)
	num(l, "to_open_us", &a.ToOpen)
	num(l, "off_us", &a.Off)
	num(l, "zero_us", &a.Zero)
	num(l, "open_us", &a.Open)
	num(l, "links", &a.Links)
	text(l, "zero_by", &a.ZeroBy)
	text(l, "open_by", &a.OpenBy)
	text(l, "text", &a.Text)
}

func (m *Machine) proofRow(passed bool, why string) Proof {
	p, c := &m.proof, &m.code
	after := func(t drivers.Instant) drivers.Span {
		if t == 0 || p.since == 0 {
			return -1
		}
		return t.Sub(p.since)
	}
	row := Proof{
		Protection: p.ins.Protection, Passed: passed, Step: max(c.step, 0), Limit: p.limit, Finding: p.finding,
		ToOff: after(p.offAt), ToZero: after(p.zeroAt), ToOpen: after(p.openAt),
		Off: p.ins.Off, Zero: p.ins.Zero, Open: p.ins.Open, Text: why,
	}
	if c.step >= 0 {
		row.Label = m.plan.Steps[c.step].Label
	}
	if passed {
		row.Links = p.links()
		row.ZeroBy = m.plan.Layout.Channels[m.meas.chCurrent].Name()
		if p.linked {
			row.OpenBy = m.plan.Layout.Channels[m.meas.chLink].Name()
		}
	}
	return row
}

// Link is a part of the way from a quantity to open contactors.
type Link uint8

// Links; the host's is for those to add who know that there was one.
const (
	LinkSensor Link = 1 << iota
	LinkMonitor
	LinkGuard
	LinkHost
	LinkInstrument
	LinkContactor
)

// links are what the row has exercised. Where the limit passed the reading, or
// the reading was held, no sensor was; and contactors count only where the link
// showed them open.
func (p *proving) links() Link {
	l := LinkInstrument
	switch p.ins.Protection {
	case ProveCellHigh, ProveCellLow, ProveChargeHigh, ProveDischargeHigh:
		l |= LinkSensor | LinkMonitor | LinkGuard
	case ProveTempHigh, ProveTempLow:
		l |= LinkMonitor | LinkGuard
		if p.ins.Beyond > 0 {
			l |= LinkSensor
		}
	case ProveStale:
		l |= LinkGuard
	case ProveStop:
		l |= LinkSensor | LinkGuard
	}
	if p.linked {
		l |= LinkContactor
	}
	return l
}

// proves says whether some drive is a proof.
func (p *Plan) proves() bool {
	return slices.ContainsFunc(p.Code, func(i Instruction) bool { return i.Drive != nil && i.Drive.Expect != nil })
}

// checkExpect reports what makes a proof unsafe or senseless.
func (p *Plan) checkExpect(at int, ins *Instruction) error {
	d := ins.Drive
	e := d.Expect
	if e == nil {
		return nil
	}
	cells := e.Protection == ProveCellHigh || e.Protection == ProveCellLow
	currents := e.Protection == ProveChargeHigh || e.Protection == ProveDischargeHigh
	up := e.Protection == ProveCellHigh || e.Protection == ProveChargeHigh
	switch {
	case !slices.Contains(Protections, e.Protection):
		return fmt.Errorf("nothing is called %q that could be proved", e.Protection)
	case e.Off <= 0 || e.Zero < e.Off || e.Open <= 0 || d.Span <= 0:
		return fmt.Errorf("a proof needs its end in time, and the times to off, zero current and open contactors")
	case d.Hold > 0 || d.SaveCharge > 0 || d.Push > 0:
		return fmt.Errorf("a proof neither holds a voltage nor measures a charge")
	case cells && e.Beyond <= 0, currents && (e.Current <= 0 || e.Current >= d.Current):
		return fmt.Errorf("the proof of %s needs a limit that its drive goes through", e.Protection)
	case (cells || currents) && (d.Direction == Charging) != up:
		return fmt.Errorf("a proof of %s cannot %s", e.Protection, d.Direction)
	case e.Protection == ProveStop && (at+1 >= len(p.Code) || p.Code[at+1].Op != OpAsk):
		return fmt.Errorf("after a proof of the emergency stop somebody must be asked to release it")
	}
	return nil
}
