package machine

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// Words of the events' lines.
const (
	wordBoot        = "boot"
	wordStart       = "start"
	wordFrame       = "frame"
	wordDue         = "due"
	wordOperator    = "operator"
	wordDone        = "done"
	wordLost        = "lost"
	wordOpened      = "opened"
	wordStored      = "stored"
	wordStoreFailed = "store_failed"
	wordComputed    = "computed"
	wordClockJump   = "clock_jump"
)

func (e Boot) String() string {
	return printLine(wordBoot, func(l *line) { visitBoot(l, &e) })
}

func visitBoot(l *line, e *Boot) {
	num(l, "at", &e.At)
	text(l, "latched", &e.Latched)
}

func (e Start) String() string {
	return printLine(wordStart, func(l *line) { visitStart(l, &e) })
}

func visitStart(l *line, e *Start) {
	num(l, "at", &e.At)
	text(l, "run", &e.Run)
	text(l, "plan", &e.Plan)
	text(l, "who", &e.Who)
	num(l, "epoch", &e.Epoch)
}

func (e Framed) String() string {
	return printLine(wordFrame, func(l *line) { visitFramed(l, &e) })
}

func visitFramed(l *line, e *Framed) {
	num(l, "at", &e.At)
	if e.Frame == nil {
		e.Frame = &drivers.Frame{}
	}
	num(l, "seq", &e.Frame.Seq)
	num(l, "echo", &e.Frame.Echo)
	list(l, "counts", &e.Frame.Counts)
	e.Frame.At = e.At
}

func (e Due) String() string {
	return printLine(wordDue, func(l *line) { visitDue(l, &e) })
}

func visitDue(l *line, e *Due) { num(l, "at", &e.At) }

func (e Operator) String() string {
	return printLine(wordOperator, func(l *line) { visitOperator(l, &e) })
}

func visitOperator(l *line, e *Operator) {
	num(l, "at", &e.At)
	text(l, "verb", &e.Verb)
	text(l, "who", &e.Who)
	text(l, "reason", &e.Reason)
}

func (e Done) String() string {
	return printLine(wordDone, func(l *line) { visitDone(l, &e) })
}

func visitDone(l *line, e *Done) {
	num(l, "at", &e.At)
	num(l, "epoch", &e.Epoch)
	text(l, "op", &e.Op)
	text(l, "err", &e.Err)
	visitProtection(l, "supply", &e.Supply)
	visitProtection(l, "load", &e.Load)
}

func visitProtection(l *line, who string, p *drivers.Protection) {
	num(l, who+"_max_uV", &p.VoltageMax)
	num(l, who+"_max_uA", &p.CurrentMax)
	num(l, who+"_silence_us", &p.CommTimeout)
}

func (e Lost) String() string {
	return printLine(wordLost, func(l *line) { visitLost(l, &e) })
}

func visitLost(l *line, e *Lost) {
	num(l, "at", &e.At)
	text(l, "device", &e.Device)
	text(l, "reason", &e.Reason)
}

func (e Opened) String() string {
	return printLine(wordOpened, func(l *line) { visitOpened(l, &e) })
}

func visitOpened(l *line, e *Opened) {
	num(l, "at", &e.At)
	num(l, "current_uA", &e.Current)
	boolean(l, "unknown", &e.Unknown)
}

func (e Stored) String() string {
	return printLine(wordStored, func(l *line) { visitStored(l, &e) })
}

func visitStored(l *line, e *Stored) {
	num(l, "at", &e.At)
	num(l, "epoch", &e.Epoch)
	text(l, "err", &e.Err)
}

func (e StoreFailed) String() string {
	return printLine(wordStoreFailed, func(l *line) { visitStoreFailed(l, &e) })
}

func visitStoreFailed(l *line, e *StoreFailed) {
	num(l, "at", &e.At)
	text(l, "err", &e.Err)
}

func (e Computed) String() string {
	return printLine(wordComputed, func(l *line) { visitComputed(l, &e) })
}

func visitComputed(l *line, e *Computed) {
	num(l, "at", &e.At)
	num(l, "epoch", &e.Epoch)
	list(l, "spans_us", &e.Spans)
	num(l, "imbalance_ppm", &e.ImbalancePPM)
	num(l, "uncertainty_ppm", &e.UncertaintyPPM)
	num(l, "left_nC", &e.Left)
	list(l, "cells_left_nC", &e.CellsLeft)
	num(l, "need_us", &e.Need)
	list(l, "excess_nC", &e.Excess)
	list(l, "doubts_nC", &e.Doubts)
	num(l, "spread_uV", &e.Spread)
	boolean(l, "telling", &e.Telling)
	text(l, "give_up", &e.GiveUp)
}

func (e ClockJump) String() string {
	return printLine(wordClockJump, func(l *line) { visitClockJump(l, &e) })
}

func visitClockJump(l *line, e *ClockJump) {
	num(l, "at", &e.At)
	num(l, "jump_us", &e.Jump)
}

// parseAs reads a line's fields into a fresh value.
func parseAs[T any](l *line, visit func(*line, *T)) T {
	var v T
	visit(l, &v)
	return v
}

// ParseEvent reads back what an event's String printed.
func ParseEvent(s string) (Event, error) {
	word, l, err := split(s)
	if err != nil {
		return nil, err
	}
	var e Event
	switch word {
	case wordBoot:
		e = parseAs(l, visitBoot)
	case wordStart:
		e = parseAs(l, visitStart)
	case wordFrame:
		e = parseAs(l, visitFramed)
	case wordDue:
		e = parseAs(l, visitDue)
	case wordOperator:
		e = parseAs(l, visitOperator)
	case wordDone:
		e = parseAs(l, visitDone)
	case wordLost:
		e = parseAs(l, visitLost)
	case wordOpened:
		e = parseAs(l, visitOpened)
	case wordStored:
		e = parseAs(l, visitStored)
	case wordStoreFailed:
		e = parseAs(l, visitStoreFailed)
	case wordComputed:
		e = parseAs(l, visitComputed)
	case wordClockJump:
		e = parseAs(l, visitClockJump)
	default:
		return nil, fmt.Errorf("line %q: no event is called %q", s, word)
	}
	return e, l.finish(s)
}
