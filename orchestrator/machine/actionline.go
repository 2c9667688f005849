package machine

import "fmt"

// Words of the actions' lines.
const (
	wordHalt    = "halt"
	wordPermit  = "permit"
	wordArm     = "arm"
	wordSet     = "set"
	wordSwitch  = "switch"
	wordBleed   = "bleed"
	wordCompute = "compute"
	wordRecord  = "record"
	wordNotify  = "notify"
	wordFinish  = "finish"
	wordProof   = "proof"
)

func (a Halt) String() string {
	return printLine(wordHalt, func(l *line) { visitHalt(l, &a) })
}

func visitHalt(l *line, a *Halt) {
	num(l, "epoch", &a.Epoch)
	num(l, "level", &a.Level)
}

func (a Permit) String() string {
	return printLine(wordPermit, func(l *line) { visitPermit(l, &a) })
}

func visitPermit(l *line, a *Permit) {
	num(l, "epoch", &a.Epoch)
	text(l, "direction", &a.Direction)
	num(l, "current_uA", &a.Current)
	num(l, "voltage_uV", &a.Voltage)
	num(l, "contactors", &a.Contactors)
	num(l, "span_us", &a.Bounds.Span)
	num(l, "charge_nC", &a.Bounds.Charge)
	num(l, "energy_uJ", &a.Bounds.Energy)
}

func (a Arm) String() string {
	return printLine(wordArm, func(l *line) { visitArm(l, &a) })
}

func visitArm(l *line, a *Arm) {
	num(l, "epoch", &a.Epoch)
	visitProtection(l, "supply", &a.Supply)
	visitProtection(l, "load", &a.Load)
}

func (a Set) String() string {
	return printLine(wordSet, func(l *line) { visitSet(l, &a) })
}

func visitSet(l *line, a *Set) {
	num(l, "epoch", &a.Epoch)
	text(l, "direction", &a.Direction)
	num(l, "current_uA", &a.Current)
	num(l, "voltage_uV", &a.Voltage)
}

func (a SwitchTo) String() string {
	return printLine(wordSwitch, func(l *line) { visitSwitchTo(l, &a) })
}

func visitSwitchTo(l *line, a *SwitchTo) {
	num(l, "epoch", &a.Epoch)
	num(l, "closed", &a.Closed)
}

func (a BleedCells) String() string {
	return printLine(wordBleed, func(l *line) { visitBleedCells(l, &a) })
}

func visitBleedCells(l *line, a *BleedCells) {
	num(l, "epoch", &a.Epoch)
	list(l, "words", &a.Words)
}

func (a Compute) String() string {
	return printLine(wordCompute, func(l *line) { visitCompute(l, &a) })
}

func visitCompute(l *line, a *Compute) {
	num(l, "epoch", &a.Epoch)
	num(l, "target_ppm", &a.TargetPPM)
	num(l, "capacity_nC", &a.Capacity)
	num(l, "chunk_us", &a.Chunk)
}

func (a Record) String() string {
	return printLine(wordRecord, func(l *line) { visitRecord(l, &a) })
}

func visitRecord(l *line, a *Record) {
	text(l, "kind", &a.Kind)
	boolean(l, "urgent", &a.Urgent)
	num(l, "epoch", &a.Epoch)
	num(l, "step", &a.Step)
	num(l, "pass", &a.Pass)
	text(l, "label", &a.Label)
	num(l, "charge_nC", &a.Charge)
	num(l, "energy_uJ", &a.Energy)
	num(l, "span_us", &a.Span)
	num(l, "cause", &a.Finding.Cause)
	num(l, "channel", &a.Finding.Channel)
	num(l, "value", &a.Finding.Value)
	num(l, "limit", &a.Finding.Limit)
	num(l, "since", &a.Finding.Since)
	boolean(l, "hard", &a.Finding.Hard)
	text(l, "text", &a.Text)
}

func (a Notify) String() string {
	return printLine(wordNotify, func(l *line) { visitNotify(l, &a) })
}

func visitNotify(l *line, a *Notify) {
	text(l, "severity", &a.Severity)
	text(l, "text", &a.Text)
}

func (a Finish) String() string {
	return printLine(wordFinish, func(l *line) { visitFinish(l, &a) })
}

func visitFinish(l *line, a *Finish) {
	text(l, "outcome", &a.Outcome)
	text(l, "reason", &a.Reason)
}

// ParseAction reads back what an action's String printed.
func ParseAction(s string) (Action, error) {
	word, l, err := split(s)
	if err != nil {
		return nil, err
	}
	var a Action
	switch word {
	case wordHalt:
		a = parseAs(l, visitHalt)
	case wordPermit:
		a = parseAs(l, visitPermit)
	case wordArm:
		a = parseAs(l, visitArm)
	case wordSet:
		a = parseAs(l, visitSet)
	case wordSwitch:
		a = parseAs(l, visitSwitchTo)
	case wordBleed:
		a = parseAs(l, visitBleedCells)
	case wordCompute:
		a = parseAs(l, visitCompute)
	case wordRecord:
		a = parseAs(l, visitRecord)
	case wordNotify:
		a = parseAs(l, visitNotify)
	case wordFinish:
		a = parseAs(l, visitFinish)
	case wordProof:
		a = parseAs(l, visitProof)
	default:
		return nil, fmt.Errorf("line %q: no action is called %q", s, word)
	}
	return a, l.finish(s)
}
