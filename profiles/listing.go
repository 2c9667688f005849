package profiles

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Listing prints a plan's code, one instruction a line, for people who want to
// see what a profile became.
func Listing(plan *machine.Plan) string {
	var b strings.Builder
	step := -1
	for i, in := range plan.Code {
		label := ""
		if in.Step != step && in.Step < len(plan.Steps) {
			step = in.Step
			s := plan.Steps[step]
			label = s.Label
			if s.Use != "" {
				label += " [" + s.Use + "]"
			}
		}
		fmt.Fprintf(&b, "%3d %-34s %-8s %s\n", i, label, in.Op, operands(plan, &in))
	}
	return b.String()
}

func operands(plan *machine.Plan, in *machine.Instruction) string {
	var s []string
	add := func(format string, args ...any) { s = append(s, fmt.Sprintf(format, args...)) }
	switch {
	case in.Drive != nil:
		return driveText(plan, in.Drive)
	case in.Wait != nil:
		add("%s", FormatQuantity(int64(in.Wait.Span), DimTime))
		if in.Wait.Open {
			add("open")
		}
	case in.Bleed != nil:
		b := in.Bleed
		add("to %s of %s, chunk %s, settle %s, under %s,", FormatQuantity(b.TargetPPM, DimRatio), FormatQuantity(int64(b.Capacity), DimCharge),
			FormatQuantity(int64(b.Chunk), DimTime), FormatQuantity(int64(b.Settle), DimTime), FormatQuantity(int64(b.TempMax), DimTemperature))
		add("held for %s, apart by %s", FormatQuantity(int64(b.Held), DimTime), FormatQuantity(int64(b.SpreadMax), DimVoltage))
		add("-> %s, %s, %s; %s", named(plan.Registers, b.Imbalance), named(plan.Registers, b.Left), named(plan.Registers, b.Unmet), boundsText(b.Bounds))
	case in.Switch != nil && in.Switch.Close:
		x := in.Switch
		add("close, tau %s within %d/1000, final %d/1000, %s to %s", FormatQuantity(int64(x.Tau), DimTime), x.TauPerMille,
			x.FinalPerMille, FormatQuantity(int64(x.Min), DimTime), FormatQuantity(int64(x.Max), DimTime))
	case in.Switch != nil:
		add("open")
	case in.Ask != nil:
		add("%q", in.Ask.Text)
	case in.Compare != nil && in.Compare.List > 0:
		c := in.Compare
		add("last %d of %s within %s: go to %d", c.Count, named(plan.Lists, c.List), FormatQuantity(c.Value, DimCharge), c.Then)
	case in.Compare != nil:
		c := in.Compare
		add("%s %s %d: go to %d", named(plan.Registers, c.Register), c.Op, c.Value, c.Then)
	case in.Jump != nil:
		add("to %d at most %d times", in.Jump.Target, in.Jump.Max)
	case in.Note != nil:
		add("%q", in.Note.Text)
	case in.End != nil && in.End.Failed:
		add("failed: %s", in.End.Reason)
	}
	return strings.Join(s, " ")
}

func driveText(plan *machine.Plan, d *machine.Drive) string {
	s := fmt.Sprintf("%s %s", d.Direction, amps(d.Current))
	add := func(format string, args ...any) { s += fmt.Sprintf(format, args...) }
	if d.Hold > 0 {
		add(", hold %s", volts(d.Hold))
	}
	if d.Taper > 0 {
		add(" to %s", amps(d.Taper))
	}
	if d.CellEnd > 0 {
		add(", to %s", volts(d.CellEnd))
	}
	if d.Span > 0 {
		add(", for %s", FormatQuantity(int64(d.Span), DimTime))
	}
	if l := d.Lead; l != nil {
		add(", first %s for %s of it", amps(l.Current), FormatQuantity(int64(l.Span), DimTime))
	}
	if d.Charge > 0 {
		add(", counted %s", FormatQuantity(int64(d.Charge), DimCharge))
	}
	if d.ChargeOf > 0 {
		add(", counted %d/1000 of %s", d.PerMille, named(plan.Registers, d.ChargeOf))
	}
	if d.SaveCharge > 0 {
		add(" -> %s", named(plan.Registers, d.SaveCharge))
	}
	if d.Push > 0 {
		add(", list %s", named(plan.Lists, d.Push))
	}
	if e := d.Expect; e != nil {
		add("; expects %s", expectText(e))
	}
	add("; at %s; %s", FormatQuantity(int64(d.Voltage), DimVoltage), boundsText(d.Bounds))
	return s
}

func expectText(e *machine.Expect) string {
	s := string(e.Protection)
	switch {
	case e.Current > 0:
		s += " at " + amps(e.Current)
	case e.Beyond != 0 && (e.Protection == machine.ProveTempHigh || e.Protection == machine.ProveTempLow):
		s += " " + FormatQuantity(e.Beyond, DimDifference) + " beyond the reading"
	case e.Beyond != 0:
		s += " " + FormatQuantity(e.Beyond, DimVoltage) + " beyond the reading"
	}
	return s + fmt.Sprintf(", off %s, zero %s, open %s", FormatQuantity(int64(e.Off), DimTime), FormatQuantity(int64(e.Zero), DimTime), FormatQuantity(int64(e.Open), DimTime))
}

func boundsText(b machine.Bounds) string {
	return fmt.Sprintf("bounds %s, %.2f Ah, %.1f Wh", FormatQuantity(int64(b.Span/drivers.Second*drivers.Second), DimTime),
		float64(b.Charge)/float64(drivers.AmpereHour), float64(b.Energy)/float64(drivers.WattHour))
}

func named(names []string, i int) string {
	if i < 1 || i > len(names) {
		return fmt.Sprintf("#%d", i)
	}
	return names[i-1]
}
