package main

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// story is what a run's recorded lines tell: its steps and, if it came to that,
// its trip.
type story struct {
	layout *drivers.Layout
	Start  int64      `json:"started_us"`
	Steps  []stepTold `json:"steps"`
	Trip   *tripTold  `json:"trip"`
	// Balance is the latest look at it.
	Balance *balanceTold `json:"balance,omitempty"`
	Asks    []string     `json:"-"`
}

// stepTold is one pass of a step that has ended.
type stepTold struct {
	Label  string `json:"step"`
	Pass   int    `json:"pass"`
	Began  int64  `json:"began_us"`
	Ended  int64  `json:"ended_us"`
	Span   int64  `json:"span_us"`
	Charge int64  `json:"charge_nc"`
	Energy int64  `json:"energy_uj"`
	End    string `json:"end"`
}

// tripTold is a trip as recorded.
type tripTold struct {
	At      int64  `json:"at_us"`
	Cause   string `json:"cause"`
	Channel string `json:"channel"`
	Value   int64  `json:"value"`
	Limit   int64  `json:"limit"`
	Unit    string `json:"unit"`
	Text    string `json:"text"`
	// Cleared says that current was measured zero, ToZero after the frame.
	Cleared bool  `json:"cleared"`
	ToZero  int64 `json:"to_zero_us"`
	// TrueToZero is the same by the virtual bench's own record, in a
	// demonstration only: a real bench has no such witness.
	TrueToZero *int64 `json:"true_to_zero_us,omitempty"`
	// Acknowledged is who cleared the latch and why.
	Acknowledged string `json:"acknowledged"`

	finding guard.Finding
}

// add takes the next line and returns the record in it, if it has one.
func (s *story) add(l *rigwardenv1.EventLine) (machine.Record, bool) {
	if s.Start == 0 {
		s.Start = l.GetAtUs()
	}
	if !strings.HasPrefix(l.GetLine(), "record ") {
		return machine.Record{}, false
	}
	act, err := machine.ParseAction(l.GetLine())
	r, ok := act.(machine.Record)
	if err != nil || !ok {
		return machine.Record{}, false
	}
	at := l.GetAtUs()
	switch r.Kind {
	case machine.RecordEnd:
		s.Steps = append(s.Steps, stepTold{
			Label: r.Label, Pass: r.Pass, Began: at - int64(r.Span), Ended: at, Span: int64(r.Span),
			Charge: int64(r.Charge), Energy: int64(r.Energy), End: r.Text,
		})
	case machine.RecordTrip:
		if s.Trip == nil {
			s.Trip = s.trip(at, r)
		}
	case machine.RecordClear:
		if s.Trip != nil {
			s.Trip.Cleared, s.Trip.ToZero = true, int64(r.Span)
		}
	case machine.RecordAck:
		if s.Trip != nil {
			s.Trip.Acknowledged = r.Text
		}
	}
	return r, true
}

func (s *story) trip(at int64, r machine.Record) *tripTold {
	f := r.Finding
	t := &tripTold{At: at, Cause: f.Cause.String(), Value: f.Value, Limit: f.Limit, Text: r.Text, finding: f}
	if s.layout != nil && f.Cause != guard.CauseNone && f.Channel >= 0 && f.Channel < len(s.layout.Channels) {
		c := s.layout.Channels[f.Channel]
		t.Channel, t.Unit = c.Name(), unitOf(c.Kind)
		if f.Cause == guard.TempRise { // a difference, not a temperature
			t.Unit = "mK/min"
		}
	}
	return t
}

// unitOf is a channel kind's base unit, where it has one.
func unitOf(k drivers.Kind) string {
	switch k {
	case drivers.CellVoltage, drivers.ModuleVoltage, drivers.LinkVoltage, drivers.SupplyVoltage, drivers.LoadVoltage:
		return "uV"
	case drivers.ModuleCurrent, drivers.BoxCurrent, drivers.SupplyCurrent, drivers.LoadCurrent:
		return "uA"
	case drivers.Temperature:
		return "mK"
	}
	return ""
}

// quantity formats a value in its base unit; without a unit it is a bare
// number, and "no reading" where there was none.
func quantity(v int64, unit string) string {
	switch {
	case v == int64(drivers.NoReading):
		return "no reading"
	case unit == "uV":
		return fmt.Sprintf("%.4f V", float64(v)/1e6)
	case unit == "uA":
		return amps(v)
	case unit == "mK":
		return celsius(v)
	case unit == "mK/min":
		return fmt.Sprintf("%.3f K in a minute", float64(v)/1e3)
	}
	return fmt.Sprint(v)
}

// tell prints the trip for people. storePath is set where no orchestrator is
// left to acknowledge to, as after a demonstration.
func (a *app) tell(t *tripTold, run, bench, storePath string) {
	fmt.Fprintln(a.out, a.paint(red, "TRIPPED"))
	kv := []string{"  what", t.Text}
	if t.Channel != "" {
		kv = append(kv, "  where", t.Channel)
		if t.Unit != "" && t.finding.Cause != guard.Missing { // nothing was read then
			kv = append(kv, "  value, limit", quantity(t.Value, t.Unit)+", limit "+quantity(t.Limit, t.Unit))
		}
	}
	kv = append(kv, "  frame's time", instant(t.At)+" UTC")
	if t.Cleared {
		kv = append(kv, "  to zero current", shortSpan(t.ToZero)+" from the breaching frame, as measured")
	} else {
		kv = append(kv, "  to zero current", "NOT PROVEN: no measurement of zero current was recorded")
	}
	if t.TrueToZero != nil {
		kv = append(kv, "  true zero", shortSpan(*t.TrueToZero)+" from the breaching frame, by the virtual bench's own record")
	}
	pairs(a.out, kv...)
	if t.Acknowledged != "" {
		fmt.Fprintf(a.out, "Acknowledged: %s\n", t.Acknowledged)
		return
	}
	fmt.Fprintf(a.out, "\nBench %s is latched. Nothing will energise on it until a person has made sure that\n"+
		"it is safe and says so, with a reason:\n", bench)
	if storePath != "" {
		fmt.Fprintf(a.out, "  rigwarden serve --bench %s --store %s --virtual-time\n", bench, storePath)
	}
	fmt.Fprintf(a.out, "  rigwarden run acknowledge %s --reason \"...\"\n", run)
}
