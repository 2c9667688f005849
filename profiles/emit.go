package profiles

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// openRest is the longest rest with closed contactors (INV-16).
const openRest = 10 * drivers.Minute

// useNames are the plan's words for a step's use.
var useNames = map[string]string{
	"as_received": "as received", "self_discharge": "self discharge",
}

// code writes the whole program and arms the instruments for it.
func (c *compiler) code() {
	if text := c.told(); c.p.Attended && text != "" {
		c.emit(machine.Instruction{Op: machine.OpNote, Note: &machine.Note{Text: text}})
	}
	c.steps(c.p.Steps)
	c.emit(machine.Instruction{Op: machine.OpEnd, End: &machine.End{}})
	c.arm()
}

func (c *compiler) steps(steps []StepSpec) {
	for i := range steps {
		c.step(&steps[i])
	}
}

func (c *compiler) step(s *StepSpec) {
	switch s.Kind {
	case "close":
		if c.closed {
			c.r.Add(s.Pos, "the contactors are closed here already", "leave this step out")
		}
		c.shut(s, "")
	case "open":
		if !c.closed {
			c.r.Add(s.Pos, "the contactors are open here already", "leave this step out")
		}
		c.open(s, "")
	case "charge", "discharge":
		c.drive(s)
	case "pulse":
		c.pulse(s)
	case "rest":
		c.rest(s)
	case "ask":
		c.openIf(s)
		c.begin(s, "", "ask", forecast{})
		c.emit(machine.Instruction{Op: machine.OpAsk, Ask: &machine.Ask{Text: s.Ask}})
		c.level = anyLevel // nobody knows what was done meanwhile
	case "balance":
		c.balance(s)
	case "prove":
		c.prove(s)
		c.level = anyLevel
	case "repeat":
		c.repeat(s)
	}
}

// begin adds a step to the plan; instructions emitted from now on belong to it.
func (c *compiler) begin(s *StepSpec, part, kind string, f forecast) {
	label := c.prefix + s.Label
	if part != "" {
		label += "/" + part
	}
	for base, n := label, 2; c.labelled(label); n++ {
		label = fmt.Sprintf("%s %d", base, n)
	}
	at := s.Pos
	at.File = filepath.Base(at.File) // a plan does not depend on where files lie
	use := s.Use
	if part != "" {
		use = ""
	}
	c.plan.Steps = append(c.plan.Steps, machine.Step{
		Label: label, Kind: kind, Use: c.use(use), Pos: at.String(), Repeat: c.passes,
		Predicted: f.span, Charge: f.charge, Energy: f.energy,
	})
}

func (c *compiler) labelled(label string) bool {
	return slices.ContainsFunc(c.plan.Steps, func(s machine.Step) bool { return s.Label == label })
}

// use says what figures may take a step for: a capacity taken before balancing
// tells of the module as it came and is never judged.
func (c *compiler) use(word string) string {
	if word == "capacity" && !c.balanced {
		word = "as_received"
	}
	if name, ok := useNames[word]; ok {
		return name
	}
	return word
}

func (c *compiler) emit(i machine.Instruction) int {
	i.Step = max(len(c.plan.Steps)-1, 0)
	c.plan.Code = append(c.plan.Code, i)
	return len(c.plan.Code) - 1
}

func (c *compiler) here() int { return len(c.plan.Code) }

// shut precharges and closes; open opens.
func (c *compiler) shut(s *StepSpec, part string) {
	sw := c.precharge()
	c.begin(s, part, "close", forecast{span: sw.Max})
	c.emit(machine.Instruction{Op: machine.OpSwitch, Switch: sw})
	c.closed = true
}

func (c *compiler) open(s *StepSpec, part string) {
	c.begin(s, part, "open", forecast{span: c.b.Box.SwitchTime})
	c.emit(machine.Instruction{Op: machine.OpSwitch, Switch: &machine.Switch{}})
	c.closed = false
}

func (c *compiler) shutIf(s *StepSpec) {
	if !c.closed {
		c.shut(s, "close")
	}
}

func (c *compiler) openIf(s *StepSpec) {
	if c.closed {
		c.open(s, "open")
	}
}

func (c *compiler) drive(s *StepSpec) {
	e, ok := c.ends(s, &s.Drive, "")
	if !ok {
		return
	}
	c.shutIf(s)
	c.emitDrive(s, "", s.Kind, &s.Drive, e)
}

// emitDrive predicts and emits a charge or discharge.
func (c *compiler) emitDrive(s *StepSpec, part, kind string, d *DriveSpec, e ends) {
	bounds := c.bounds(d, e)
	f := c.model.levels(d.Charge, e)
	c.level = d.after()
	if !d.Charge {
		f.charge, f.energy = -f.charge, -f.energy
	}
	c.begin(s, part, kind, f)
	out := &machine.Drive{
		Direction: machine.Charging, Current: e.current, Hold: e.hold, Taper: e.taper, CellEnd: e.cellEnd,
		Voltage: c.outerVoltage(d.Charge, max(e.hold, e.cellEnd)), Span: e.span, Lead: e.lead, Bounds: bounds,
	}
	if !d.Charge {
		out.Direction = machine.Discharging
	}
	switch {
	case d.CountedOf != "" && d.CountedOf != "rated":
		out.ChargeOf, out.PerMille = c.register(d.CountedOf), d.Fraction/1000
	default:
		out.Charge = e.charge
	}
	if d.SaveAs != "" {
		out.SaveCharge, out.Push = c.register(d.SaveAs), c.list(d.SaveAs)
		out.SaveEnergy = c.register(d.SaveAs + " energy")
	}
	c.emit(machine.Instruction{Op: machine.OpDrive, Drive: out})
}

func (c *compiler) pulse(s *StepSpec) {
	e, ok := c.ends(s, &s.Drive, "")
	if !ok {
		return
	}
	c.shutIf(s)
	c.emitDrive(s, "", "pulse", &s.Drive, e)
	last := &c.plan.Code[len(c.plan.Code)-1]
	last.Op = machine.OpPulse
}

func (c *compiler) rest(s *StepSpec) {
	open := s.For > openRest
	c.begin(s, "", "rest", forecast{span: s.For})
	c.emit(machine.Instruction{Op: machine.OpWait, Wait: &machine.Wait{Span: s.For, Open: open}})
	if open {
		c.closed = false
	}
}

// Defaults of a balance step.
const (
	settleDefault = 5 * drivers.Minute
	chunkDefault  = drivers.Hour
	roundsDefault = 30
	// typicalImbalance is what the prediction assumes to be found, ppm.
	typicalImbalance = 30_000
)

// repeat compiles to its steps, the comparison that ends it early, and a
// bounded jump back.
func (c *compiler) repeat(s *StepSpec) {
	spec, outer := &s.Repeat, c.prefix
	c.prefix += s.Label + "/"
	passes, most := c.passes, c.most
	c.passes *= spec.Times
	if spec.Until != "" {
		c.passes = passes * spec.Last
	}
	c.most *= spec.Times
	// Where the first pass would close and every pass ends closed, close once
	// before them: contactors wear with every closing.
	if !c.closed && spec.Times > 1 && energises(spec.Steps) && endsClosed(spec.Steps) {
		c.passes, passes = passes, c.passes
		c.prefix = outer
		c.shut(s, "close")
		c.prefix = outer + s.Label + "/"
		c.passes, passes = passes, c.passes
	}
	head, entry := c.here(), c.closed
	if spec.Times > 1 {
		c.level = anyLevel // later passes come from the end of the one before
	}
	c.steps(spec.Steps)
	c.prefix = outer
	check, end := -1, c.closed
	if spec.Until != "" {
		check = c.emit(machine.Instruction{Op: machine.OpCompare, Compare: &machine.Compare{
			List: c.list(spec.Until), Count: spec.Last, Value: mulDiv(int64(c.m.Rated), spec.Within, 1_000_000)}})
	}
	if spec.Times > 1 {
		c.restore(s, entry)
		c.emit(machine.Instruction{Op: machine.OpJump, Jump: &machine.Jump{Target: head, Max: spec.Times - 1}})
	}
	c.passes, c.most = passes, most
	if spec.Until == "" {
		return
	}
	text := fmt.Sprintf("%s: the last %d of %s did not agree within %s in %d passes", c.prefix+s.Label,
		spec.Last, spec.Until, FormatQuantity(spec.Within, DimRatio), spec.Times)
	if spec.Fail {
		c.emit(machine.Instruction{Op: machine.OpEnd, End: &machine.End{Failed: true, Reason: text}})
		c.closed = end
	} else {
		c.emit(machine.Instruction{Op: machine.OpNote, Note: &machine.Note{Text: text}})
		c.restore(s, end)
	}
	c.plan.Code[check].Compare.Then = c.here()
}

// energises says whether the first thing that steps do needs closed contactors.
func energises(steps []StepSpec) bool {
	switch first := steps[0]; first.Kind {
	case "charge", "discharge", "pulse", "balance", "prove":
		return true
	case "rest":
		return first.For <= openRest && len(steps) > 1 && energises(steps[1:])
	}
	return false
}

// endsClosed says whether steps leave the contactors closed.
func endsClosed(steps []StepSpec) bool {
	closed := false
	for _, s := range steps {
		switch s.Kind {
		case "charge", "discharge", "pulse", "close":
			closed = true
		case "rest":
			closed = closed && s.For <= openRest
		case "ask", "open", "balance", "prove":
			closed = false
		}
	}
	return closed
}

// restore puts the contactors back as they were where two ways meet.
func (c *compiler) restore(s *StepSpec, closed bool) {
	switch {
	case closed && !c.closed:
		c.shut(s, "close")
	case !closed && c.closed:
		c.open(s, "open")
	}
}

func (c *compiler) register(name string) int { return index(&c.plan.Registers, name) }
func (c *compiler) list(name string) int     { return index(&c.plan.Lists, name) }

// index returns the place of a name from one, adding it at need.
func index(names *[]string, name string) int {
	name = strings.TrimSpace(name)
	if i := slices.Index(*names, name); i >= 0 {
		return i + 1
	}
	*names = append(*names, name)
	return len(*names)
}

// or returns v, or the default where v is zero.
func or[T comparable](v, otherwise T) T {
	var zero T
	if v == zero {
		return otherwise
	}
	return v
}
