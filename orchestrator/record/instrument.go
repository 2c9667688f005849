package record

import (
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles"
)

// instruments lists what measured, by the bench that is stored with the run.
// Addresses and files are left out: they are no property of an instrument.
func instruments(b *drivers.Bench) []Instrument {
	m := &b.Monitor
	id := identity(&m.Wire)
	out := []Instrument{
		{"cell monitor", id, "cell voltage", "", quantity(int64(m.CellStep), "V"), accuracy(m.CellAccuracy, "V")},
		{"cell monitor", id, "module current", "± " + quantity(int64(m.CurrentRange), "A"), quantity(int64(m.CurrentStep), "A"), accuracy(m.CurrentAcc, "A")},
	}
	if m.Temps > 0 {
		out = append(out, Instrument{"cell monitor", id, "temperature", "", quantity(int64(m.TempStep), "K"), accuracy(m.TempAccuracy, "K")})
	}
	out = append(out, Instrument{"voltmeter", identity(&b.Meter.Wire), "module voltage", "", quantity(int64(b.Meter.VoltageStep), "V"), accuracy(b.Meter.VoltageAcc, "V")})
	for _, p := range []struct {
		role string
		spec *drivers.PowerSpec
	}{{"supply", &b.Supply}, {"load", &b.Load}} {
		id := identity(&p.spec.Wire)
		out = append(out,
			Instrument{p.role, id, "voltage", quantity(int64(p.spec.VoltageMax), "V"), quantity(int64(p.spec.VoltageStep), "V"), accuracy(p.spec.VoltageAcc, "V")},
			Instrument{p.role, id, "current", quantity(int64(p.spec.CurrentMax), "A"), quantity(int64(p.spec.CurrentStep), "A"), accuracy(p.spec.CurrentAcc, "A")})
	}
	id = identity(&b.Box.Wire)
	out = append(out, Instrument{"contactor box", id, "link voltage", "", quantity(int64(b.Box.LinkStep), "V"), accuracy(b.Box.LinkAcc, "V")})
	if b.Box.CurrentStep > 0 {
		out = append(out, Instrument{"contactor box", id, "current", "", quantity(int64(b.Box.CurrentStep), "A"), accuracy(b.Box.CurrentAcc, "A")})
	}
	return out
}

// identity is who must answer, or that nobody does.
func identity(w *drivers.Wire) string {
	if w.Driver == profiles.DriverVirtual {
		return "simulated"
	}
	e := w.Expect
	parts := []string{e.Maker, e.Model}
	if e.Serial != "" {
		parts = append(parts, "no. "+e.Serial)
	}
	if e.Firmware != "" {
		parts = append(parts, "firmware "+e.Firmware)
	}
	text := strings.Join(strings.Fields(strings.Join(parts, " ")), " ")
	if text == "" {
		text = "not stated"
	}
	return text
}

// quantity is a value in base units (uV, uA, mK) in the unit that suits it.
func quantity(v int64, unit string) string {
	x, prefix := float64(v)/1e6, ""
	if unit == "K" {
		x = float64(v) / 1e3
	}
	if x < 1 && x > 0 && unit != "K" {
		x, prefix = x*1e3, "m"
	}
	return plain(x) + " " + prefix + unit
}

// accuracy is as makers state it: of the reading, and an offset.
func accuracy(a drivers.Accuracy, unit string) string {
	var parts []string
	if a.GainPPM > 0 {
		parts = append(parts, plain(float64(a.GainPPM)/1e4)+" %")
	}
	if a.Offset > 0 || len(parts) == 0 {
		parts = append(parts, quantity(a.Offset, unit))
	}
	return "± (" + strings.Join(parts, " + ") + ")"
}
