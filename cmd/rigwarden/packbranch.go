package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/pack"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// readings are what a person measured and counted, read and complete.
type readings struct {
	order      []string
	volts      map[string]float64
	soc        map[string]*pack.Interval
	ohms       map[string]float64
	cold, warm drivers.Millikelvins
	meter      drivers.Accuracy
}

func (f *packCheckFlags) read(args []string) (*readings, error) {
	for q, usual := range map[*quantityFlag]string{
		&f.curve: "5 mV", &f.unsure: "30 %", &f.apart: fmt.Sprintf("%g %%", 100*pack.UsualApart), &f.leads: "0 mOhm",
		&f.fuse: "0 A", &f.breaking: "0 A", &f.joint: "0 A",
	} {
		if err := q.preset(usual); err != nil {
			return nil, err
		}
	}
	for name, q := range map[string]*quantityFlag{"curve": &f.curve, "unsure": &f.unsure, "leads": &f.leads, "fuse": &f.fuse, "breaking": &f.breaking, "joint": &f.joint} {
		if q.value < 0 {
			return nil, usagef("--%s %s: 0 or more would be right", name, q.text)
		}
	}
	if f.temperature == "" {
		return nil, usagef("what the modules may take depends on their temperature; --temperature \"19 degC to 22 degC\", as the sensors read, would be right")
	}
	low, high, err := span(f.temperature, profiles.DimTemperature)
	if err != nil {
		return nil, usagef("--temperature %w", err)
	}
	r := &readings{volts: map[string]float64{}, soc: map[string]*pack.Interval{}, ohms: map[string]float64{}, cold: drivers.Millikelvins(low), warm: drivers.Millikelvins(high)}
	acc := f.meter
	if acc.text == "" {
		if err := acc.Set(usualMeter); err != nil {
			return nil, err
		}
	}
	r.meter = acc.Accuracy
	for _, text := range args {
		name, rest, err := reading("", text)
		if err != nil {
			return nil, err
		}
		v, err := profiles.ParseQuantity(rest, profiles.DimVoltage)
		if err != nil {
			return nil, usagef("%s: %w", name, err)
		}
		if _, twice := r.volts[name]; twice {
			return nil, usagef("module %s is named twice; each once would be right", name)
		}
		r.order = append(r.order, name)
		r.volts[name] = float64(v) * 1e-6
	}
	return r, f.readEach(r)
}

// readEach reads what is given for single modules.
func (f *packCheckFlags) readEach(r *readings) error {
	for _, text := range f.soc {
		name, rest, err := reading("--soc ", text)
		if err != nil {
			return err
		}
		low, high, err := span(rest, profiles.DimRatio)
		if err != nil {
			return usagef("--soc %s: %w", name, err)
		}
		r.soc[name] = &pack.Interval{Low: float64(low) * 1e-6, High: float64(high) * 1e-6}
	}
	for _, text := range f.resistance {
		name, rest, err := reading("--resistance ", text)
		if err != nil {
			return err
		}
		v, err := profiles.ParseQuantity(rest, profiles.DimResistance)
		if err != nil {
			return usagef("--resistance %s: %w", name, err)
		}
		r.ohms[name] = float64(v) * 1e-6
	}
	for _, name := range slices.Concat(slices.Sorted(maps.Keys(r.soc)), slices.Sorted(maps.Keys(r.ohms))) {
		if _, known := r.volts[name]; !known {
			return usagef("module %s has no voltage; \"%s=78.96 V\" beside the others would be right", name, name)
		}
	}
	return nil
}

// branches makes the bank out of readings, module files and proven figures, and
// says where each module's numbers come from.
func (a *app) branches(ctx context.Context, f *packCheckFlags, args []string) ([]pack.Branch, []string, error) {
	r, err := f.read(args)
	if err != nil {
		return nil, nil, err
	}
	var find func(string) (*profiles.Module, *qualify.Figures, error)
	if f.module != "" {
		src, err := readModule(f.module)
		if err != nil {
			return nil, nil, err
		}
		m, ps := profiles.ParseModule(src.GetName(), src.GetContent())
		if len(ps) > 0 {
			return nil, nil, usageError{profiles.Error(ps)}
		}
		find = func(string) (*profiles.Module, *qualify.Figures, error) { return m, nil, nil }
	} else {
		s, err := a.open(ctx)
		if err != nil {
			return nil, nil, err
		}
		defer s.close()
		find = func(name string) (*profiles.Module, *qualify.Figures, error) { return provenModule(ctx, s, name) }
	}
	var out []pack.Branch
	var sources []string
	for _, name := range r.order {
		m, figures, err := find(name)
		if err != nil {
			return nil, nil, err
		}
		b, from, err := f.branch(r, name, m, figures)
		if err != nil {
			return nil, nil, err
		}
		out = append(out, b)
		sources = append(sources, from)
	}
	return out, sources, nil
}

// provenModule is a registered module's file, and its figures where it has some.
func provenModule(ctx context.Context, s *session, serial string) (*profiles.Module, *qualify.Figures, error) {
	m, err := registered(ctx, s, serial)
	if err != nil {
		return nil, nil, err
	}
	c, err := judgedRun(ctx, s, serial)
	if err != nil {
		if service.FromStatus(err).Kind == service.KindRefused { // never judged: the file has to do
			return m, nil, nil
		}
		return nil, nil, err
	}
	return m, c.figures, nil
}

// registered is a registered module's present file.
func registered(ctx context.Context, s *session, serial string) (*profiles.Module, error) {
	file, err := s.modules.Get(ctx, &rigwardenv1.GetModuleRequest{Serial: serial})
	if err != nil {
		return nil, err
	}
	m, ps := profiles.ParseModule(serial+".yaml", file.GetFile().GetContent())
	if len(ps) > 0 {
		return nil, profiles.Error(ps)
	}
	return m, nil
}

// branch is one module of the bank.
func (f *packCheckFlags) branch(r *readings, name string, m *profiles.Module, figures *qualify.Figures) (pack.Branch, string, error) {
	curve, err := curveOf(m)
	if err != nil {
		return pack.Branch{}, "", usageError{fmt.Errorf("%s: %w", name, err)}
	}
	capacity, ohms, from := float64(m.Rated)/float64(drivers.AmpereHour), float64(m.Series)*float64(m.CellResistance)*1e-6+float64(m.TerminalResistance)*1e-6, name+": rated capacity and resistance of its file"
	if figures != nil {
		if g, ok := figures.Find(qualify.Capacity); ok && g.Status == qualify.OK && !g.NoValue {
			capacity, from = g.Value, name+": measured capacity, resistance of its file"
		}
		if g, ok := shortest(figures); ok {
			ohms = g.Value * 1e-3
			from = fmt.Sprintf("%s: measured capacity and %s", name, g.Name)
		}
	}
	if v, given := r.ohms[name]; given {
		ohms, from = v, from+", but the resistance as given"
	}
	ohms += float64(f.leads.value) * 1e-6
	volts := r.volts[name]
	b := pack.Branch{
		Name: name, Chemistry: m.Chemistry, Curve: curve, Series: m.Series, Capacity: capacity,
		Resistance: ohms, ResistanceWithin: ohms * float64(f.unsure.value) * 1e-6,
		Voltage: volts, VoltageWithin: float64(r.meter.At(int64(math.Round(volts*1e6)))) * 1e-6,
		SoC: r.soc[name], CurveDoubt: float64(f.curve.value) * 1e-6,
		ChargeMax:    float64(chargeAllowed(m, r.cold, r.warm)) * 1e-6,
		DischargeMax: float64(dischargeAllowed(m, r.cold, r.warm)) * 1e-6,
		Joint:        float64(f.joint.value) * 1e-6, Fuse: float64(f.fuse.value) * 1e-6, Breaking: float64(f.breaking.value) * 1e-6,
		Isolated: !f.unisolated,
		CellMin:  float64(m.Limits.CellMin) * 1e-6, CellMax: float64(m.Limits.CellMax) * 1e-6, NoCharge: float64(m.Maker.NoCharge) * 1e-6,
		HeatCapacity: float64(m.Series) * float64(m.HeatCapacity) * 1e-3,
	}
	return b, from, nil
}

func curveOf(m *profiles.Module) (pack.Curve, error) {
	var soc, volts []float64
	for _, p := range m.OCV {
		soc = append(soc, float64(p.SoC)*1e-6)
		volts = append(volts, float64(p.Voltage)*1e-6)
	}
	return pack.NewCurve(soc, volts)
}

// pulseFigure is the module's resistance some seconds after a discharge's edge.
var pulseFigure = regexp.MustCompile(`^module_resistance_([0-9.]+)s$`)

// shortest is the proven resistance the soonest after an edge: the first instant's
// is less, which --unsure allows for.
func shortest(f *qualify.Figures) (best qualify.Figure, ok bool) {
	least := math.Inf(1)
	for _, g := range f.Figures {
		m := pulseFigure.FindStringSubmatch(g.Name)
		if m == nil || g.Cell != 0 || g.Status != qualify.OK || g.NoValue {
			continue
		}
		if at, err := strconv.ParseFloat(m[1], 64); err == nil && at < least {
			least, best, ok = at, g, true
		}
	}
	return best, ok
}

// chargeAllowed is what a module may take at every temperature between two, uA:
// the tightest of maker, table and module (INV-10, INV-15); 0 in the cold.
func chargeAllowed(m *profiles.Module, cold, warm drivers.Millikelvins) drivers.Microamps {
	if cold < max(m.Maker.ChargeTempMin, m.Limits.ChargeTempMin) || warm > min(m.Maker.ChargeTempMax, m.Limits.ChargeTempMax) {
		return 0
	}
	most := min(m.Maker.ChargeMax, m.Limits.ChargeMax)
	rows := m.Maker.ChargeTable
	if len(rows) > 0 && cold < rows[0].Temp {
		return 0
	}
	for i, r := range rows {
		if r.Temp <= warm && (i+1 == len(rows) || rows[i+1].Temp > cold) {
			most = min(most, r.Current)
		}
	}
	return most
}

func dischargeAllowed(m *profiles.Module, cold, warm drivers.Millikelvins) drivers.Microamps {
	if cold < max(m.Maker.DischargeTempMin, m.Limits.DischargeTempMin) || warm > min(m.Maker.DischargeTempMax, m.Limits.DischargeTempMax) {
		return 0
	}
	return min(m.Maker.DischargeMax, m.Limits.DischargeMax)
}
