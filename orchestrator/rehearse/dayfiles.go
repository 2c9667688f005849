package rehearse

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// Day is a day of a bench on which nothing is wrong: its instruments, article
// and profile are drawn by the seed.
type Day struct {
	Seed   uint64
	Text   string // what was drawn, in a line
	config virtual.Config
	plan   *machine.Plan
	curve  balance.Curve
}

// dayProfile is a day's work: every kind of step. Voltages and currents are
// filled in for the module.
const dayProfile = `
profile: day
title: a day with nothing wrong
expect_start: %d %%
steps:
  - close
  - charge: {label: first charge, current: %.2f C, hold: %s, taper: C/20}
  - rest: {label: rest full, for: 30 min}
  - discharge: {current: %.2f C, cell_end: %s}
  - rest: {label: rest empty, for: 30 min}
  - charge: {label: second charge, current: %.2f C, hold: %s, taper: C/20}
  - rest: {label: rest again, for: 20 min}
  - discharge: {label: to half, current: %.2f C, counted: %.3f Ah, cell_end: %s}
  - rest: {label: at half, for: 20 min}
  - repeat:
      label: pulses
      times: 3
      steps:
        - pulse: {label: out, discharge: %.2f C, for: 10 s, use: resistance}
        - rest: {label: after out, for: 5 min}
        - pulse: {label: in, charge: %.2f C, for: 10 s, use: resistance}
        - rest: {label: after in, for: 5 min}
  - discharge: {label: to storage, current: C/2, counted: %.3f Ah, cell_end: %s}
  - rest: {label: last rest, for: 20 min}
%s`

const dayBalance = `  - balance:
      to: %s %%
      top_up: {current: C/5, hold: %s, taper: C/20}
      settle: %d min
      chunk: %d min
`

// dayMonitor is a monitor whose declaration holds what was drawn of it.
type dayMonitor struct {
	step, accuracy drivers.Microvolts
	steps          float64 // standard deviation of noise in steps
	period         drivers.Span
	edge           virtual.Edge
}

// drawMonitor draws the monitor: from the finest to one that reads whole
// millivolts and shows no noise.
func (d dice) drawMonitor() dayMonitor {
	m := dayMonitor{step: []drivers.Microvolts{100, 100, 250, 500, 1000, 1000}[d.IntN(6)]}
	m.period = []drivers.Span{100, 100, 200, 500, 1000}[d.IntN(5)] * drivers.Millisecond
	m.edge = []virtual.Edge{virtual.EdgeWithin, virtual.EdgeDrawn, virtual.EdgeDrawn, virtual.EdgeApart, virtual.EdgeCrossed}[d.IntN(5)]
	if !d.chance(0.3) { // the rest show no noise at all
		most := 2.0
		if m.step > 250 {
			most = 0.3 // a converter of coarse steps hides what noise there is
		}
		m.steps = d.between(0, most)
	}
	noisy := drivers.Microvolts(float64(m.step) * (0.5 + 4*m.steps))
	m.accuracy = noisy + drivers.Microvolts(d.between(50, 600))
	return m
}

// DrawDay makes the day of a seed; where the compiler refuses what was drawn, it
// is drawn anew by the same dice.
func DrawDay(seed uint64) (*Day, error) {
	d := newDice(seed ^ 0x64617973)
	var last error
	for range 40 {
		day, err := d.drawDay()
		if err == nil {
			day.Seed = seed
			return day, nil
		}
		last = err
	}
	return nil, fmt.Errorf("day %d: no bench was found that the compiler takes: %w", seed, last)
}

func (d dice) drawDay() (*Day, error) {
	m, b, err := dayFiles()
	if err != nil {
		return nil, err
	}
	mon := d.drawMonitor()
	d.dayModule(m)
	d.dayBench(b, m, mon)
	d.dayRoom(m, b)
	p, err := d.dayProfile(m, b, mon)
	if err != nil {
		return nil, err
	}
	plan, problems := profiles.Compile(p, m, b)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	day := &Day{plan: plan, config: d.dayConfig(m, p, b, mon)}
	for _, o := range m.OCV {
		day.curve.Points = append(day.curve.Points, balance.Point{SoCPPM: o.SoC, Voltage: o.Voltage})
	}
	c := &day.config
	day.Text = fmt.Sprintf("%s, %d cells, a frame in %d ms, steps of %.2f mV within %.2f mV, noise of %.2f steps, edge %q, %.1f degC",
		m.Chemistry, m.Series, mon.period/drivers.Millisecond, float64(mon.step)/1e3, float64(mon.accuracy)/1e3,
		mon.steps, mon.edge, float64(c.Article.Ambient-drivers.ZeroC)/1e3)
	return day, nil
}

// dayFiles are the shipped module and bench, free to be changed.
func dayFiles() (*profiles.Module, *profiles.Bench, error) {
	text, err := profiles.LibraryModule("KW-01")
	if err != nil {
		return nil, nil, err
	}
	m, problems := profiles.ParseModule("KW-01.yaml", text)
	if err := profiles.Error(problems); err != nil {
		return nil, nil, err
	}
	if text, err = profiles.LibraryBench("quay-1"); err != nil {
		return nil, nil, err
	}
	b, problems := profiles.ParseBench("quay-1.yaml", text)
	return m, b, profiles.Error(problems)
}

// dayModule draws the article's size, chemistry and limits.
func (d dice) dayModule(m *profiles.Module) {
	m.Series = []int{12, 24, 24, 32}[d.IntN(4)]
	if d.chance(0.4) {
		m.Chemistry, m.Nominal = "NMC", 3_650_000
		m.Maker.CellMax, m.Maker.CellMin, m.Maker.NoCharge = 4_250_000, 2_500_000, 2_000_000
		curve := plant.NMC811()
		m.OCV = m.OCV[:0:0]
		for _, soc := range []int64{0, 10, 20, 50, 100, 200, 300, 400, 500, 600, 700, 800, 900, 950, 980, 1000} {
			v := curve.OCV(float64(soc) / 1000)
			m.OCV = append(m.OCV, profiles.OCVPoint{SoC: soc * 1000, Voltage: drivers.Microvolts(v * 1e6)})
		}
	}
	m.Limits.ChargeMax = drivers.Microamps(float64(drivers.Ampere) * d.between(25, 45))
	m.Limits.DischargeMax = drivers.Microamps(float64(drivers.Ampere) * d.between(25, 50))
	m.Limits.CellMax, m.Limits.CellMin = m.Maker.CellMax-1000, m.Maker.CellMin+1000
	m.Sensors = nil
	for j := range m.Series / 4 {
		m.Sensors = append(m.Sensors, (2*j+1)*2)
	}
}

// dayBench fits the instruments to the module and draws how well they measure.
func (d dice) dayBench(b *profiles.Bench, m *profiles.Module, mon dayMonitor) {
	s := &b.Monitor
	s.Cells, s.Temps, s.Period = m.Series, len(m.Sensors), mon.period
	s.CellStep, s.CellAccuracy = mon.step, drivers.Accuracy{Offset: int64(mon.accuracy)}
	s.TempStep = []drivers.Millikelvins{100, 100, 500, 1000}[d.IntN(4)]
	s.TempAccuracy.Offset = int64(float64(s.TempStep)*(0.5+4*mon.steps/4)) + int64(d.between(100, 500))
	s.CurrentStep = []drivers.Microamps{1000, 10_000, 50_000}[d.IntN(3)]
	s.CurrentAcc.Offset = int64(float64(s.CurrentStep)*(0.5+4*mon.steps)) + 20_000
	s.Skew, s.Window = drivers.Span(d.between(0, 30_000)), drivers.Span(d.between(1000, 40_000))
	for _, p := range []*drivers.PowerSpec{&b.Supply, &b.Load} {
		p.VoltageMax = 180 * drivers.Volt
		p.PowerMaxMW = 10_000_000
		p.Delay = drivers.Span(d.between(20, 150)) * drivers.Millisecond
		p.Slew = drivers.Microamps(float64(drivers.Ampere) * d.scale(50, 800))
		p.CurrentAcc.Offset = int64(float64(p.CurrentStep)*(0.5+4*mon.steps)) + 50_000
		p.VoltageAcc.Offset = int64(float64(p.VoltageStep)*(0.5+4*mon.steps)) + 20_000
	}
	// No range goes past what the cell maker allows, nor far past the limits.
	b.Supply.CurrentMax, b.Load.CurrentMax = m.Limits.ChargeMax+drivers.Ampere, m.Limits.DischargeMax+drivers.Ampere
	b.Box.CurrentAcc.Offset = int64(float64(b.Box.CurrentStep)*(0.5+4*mon.steps)) + 100_000
	b.Box.LinkAcc.Offset = int64(float64(b.Box.LinkStep)*(0.5+4*mon.steps)) + 50_000
	b.Meter.VoltageAcc.Offset = int64(float64(b.Meter.VoltageStep)*(0.5+4*mon.steps)) + 1_000
	b.Lease = max(drivers.Second, 4*mon.period)
	b.Box.Heartbeat, b.Supply.CommTimeout, b.Load.CommTimeout = max(drivers.Second, 4*mon.period), max(2*drivers.Second, 4*mon.period), max(2*drivers.Second, 4*mon.period)
}

// dayRoom moves the working limits as far inside the maker's as this bench's
// allowance asks for, and the longest way to a stop.
func (d dice) dayRoom(m *profiles.Module, b *profiles.Bench) {
	g := profiles.BudgetOf(&profiles.Profile{}, m, b)
	room := g.Cell
	rate := max(g.ChargeRate, g.DischargeRate)
	for _, p := range g.Paths {
		room = max(room, drivers.Microvolts(float64(rate)*float64(p.Worst)/1e6))
	}
	room = (room+5_000)/1000*1000 + drivers.Microvolts(d.between(0, 20))*1000
	m.Limits.CellMax, m.Limits.CellMin = m.Maker.CellMax-room, m.Maker.CellMin+room
	b.Protections.CellCutOff.Voltage = m.Maker.CellMax
	warm := g.Temp + 500
	m.Limits.ChargeTempMax = min(m.Limits.ChargeTempMax, m.Maker.ChargeTempMax-warm)
	m.Limits.ChargeTempMin = max(m.Limits.ChargeTempMin, m.Maker.ChargeTempMin+warm)
}

// dayProfile draws the day's work inside the limits.
func (d dice) dayProfile(m *profiles.Module, b *profiles.Bench, mon dayMonitor) (*profiles.Profile, error) {
	hours := float64(m.Rated) / float64(drivers.AmpereHour)
	most := func(limit drivers.Microamps, c float64) float64 {
		return min(c, float64(int64(float64(limit)/1e6/hours*0.93*100))/100)
	}
	charge, discharge := most(m.Limits.ChargeMax, d.between(0.3, 1)), most(m.Limits.DischargeMax, d.between(0.3, 1))
	volt := func(v drivers.Microvolts) string { return fmt.Sprintf("%.3f V/cell", float64(v)/1e6) }
	margin := drivers.Microvolts(30_000 + 4*int64(mon.accuracy))
	// An instrument that jumps to the end of its range leaves the maker's limits
	// alone.
	g := profiles.BudgetOf(&profiles.Profile{}, m, b)
	jump := func(peak drivers.Microamps, rate int64) drivers.Microvolts {
		volts := float64(peak)*float64(m.CellResistance)/1e6 + float64(rate)*float64(g.Path)/1e6
		return drivers.Microvolts(volts) + g.TapError + 3_000
	}
	hold := min(m.Limits.CellMax-margin, m.Maker.CellMax-jump(b.Supply.CurrentMax, g.ChargeRate))
	end := max(m.Limits.CellMin+margin, m.Maker.CellMin+jump(b.Load.CurrentMax, g.DischargeRate))
	soc := 10 + d.IntN(85)
	make := func(balance string) (*profiles.Profile, error) {
		p, problems := profiles.ParseProfile("day.yaml", fmt.Appendf(nil, dayProfile,
			soc, charge, volt(hold), discharge, volt(end), charge, volt(hold), discharge, hours/2, volt(end),
			most(m.Limits.DischargeMax, 1), most(m.Limits.ChargeMax, 1), hours/5, volt(end), balance))
		return p, profiles.Error(problems)
	}
	to := "0.3"
	if m.Chemistry == "NMC" {
		to = "2" // without a knee the taps tell no better
	}
	p, err := make(fmt.Sprintf(dayBalance, to, volt(hold), 2+d.IntN(9), 10+d.IntN(51)))
	if err != nil {
		return nil, err
	}
	// Where the taps are too coarse to balance by, the compiler says so.
	if _, problems := profiles.Compile(p, m, b); slices.ContainsFunc(problems, func(q profiles.Problem) bool { return q.File == "day.yaml" }) {
		return make("")
	}
	return p, nil
}

// dayConfig draws the article and how the sensors err.
func (d dice) dayConfig(m *profiles.Module, p *profiles.Profile, b *profiles.Bench, mon dayMonitor) virtual.Config {
	c := twinConfig(m, p, b)
	a := &c.Article
	c.Seed = d.Uint64()
	a.Chemistry, a.Series = m.Chemistry, m.Series
	a.Capacity = drivers.Charge(float64(m.Rated) * d.between(1, 1.08))
	// No cell begins outside of the limits, wherever its spread puts it.
	soc, apart := p.StartSoC, profiles.Ppm(40_000)
	for m.OpenCircuit(soc+apart) > m.Limits.CellMax-2*mon.accuracy && soc > 0 {
		soc -= 10_000
	}
	for m.OpenCircuit(soc-apart) < m.Limits.CellMin+2*mon.accuracy && soc < 1_000_000 {
		soc += 10_000
	}
	a.SoC = float64(soc) / 1e6
	a.Spread.Capacity, a.Spread.Resistance, a.Spread.SoC = d.between(0, 0.03), d.between(0, 0.15), d.between(0, 0.03)
	a.Ambient = drivers.ZeroC + drivers.Millikelvins(d.between(16_000, 28_000))
	c.Sensing = virtual.Sensing{Static: d.between(0.2, 1), Edge: mon.edge, Steps: mon.steps}
	return c
}
