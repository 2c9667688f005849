package bench_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// holdCase is one article on one bench with one drive that holds a cell: all
// that a seed draws, and what a test changes of it by hand.
type holdCase struct {
	seed      uint64
	chemistry string
	discharge bool
	rated     float64 // Ah
	rate      float64 // current in parts of the rated capacity per hour
	taper     float64 // the same
	soc       float64
	series    int
	// misdeclared is the module file's cell resistance over the true one.
	misdeclared float64
	// late is the declared delay over the longest true one.
	late    float64
	table   string // charge_table rows of the module file
	ambient float64
	bench   drivers.Bench
	sensing virtual.Sensing
}

// holdVolts is where each chemistry is held, V.
var holdVolts = map[string]map[bool]float64{
	"LFP": {false: 3.55, true: 2.90},
	"NMC": {false: 4.15, true: 3.10},
}

// drawHold draws a case: delay, slew, resolution, sensors and article.
func drawHold(seed uint64) holdCase {
	r := rand.New(rand.NewPCG(seed, 0x686f6c64))
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	pick := func(v ...float64) float64 { return v[r.IntN(len(v))] }
	c := holdCase{
		seed: seed, chemistry: []string{"LFP", "NMC"}[r.IntN(2)], series: 6, misdeclared: between(0.8, 1.25),
		rated: between(2, 5), rate: between(0.4, 1), taper: between(0.05, 0.1), soc: between(0.70, 0.90),
		late: between(1, 1.4), ambient: 25, bench: virtual.WorkshopBench(),
		sensing: virtual.Sensing{Static: 0.5, Noise: 0.1},
	}
	b := &c.bench
	b.Monitor.Cells, b.Monitor.Temps = c.series, 2
	b.Monitor.CellStep = drivers.Microvolts(pick(100, 200, 500, 1000))
	// A step's rounding and four deviations of the noise, itself half a step,
	// fit into what the taps' offsets leave of the declared accuracy.
	b.Monitor.CellAccuracy = drivers.Accuracy{Offset: max(1000, 5*int64(b.Monitor.CellStep))}
	b.Monitor.CurrentStep, b.Monitor.CurrentAcc = 1000, drivers.Accuracy{GainPPM: 1000, Offset: 10_000}
	b.Monitor.CurrentRange = 50 * drivers.Ampere
	b.Monitor.TempStep, b.Monitor.TempAccuracy = 100, drivers.Accuracy{Offset: 500}
	b.Box.CurrentStep, b.Box.CurrentAcc = 2000, drivers.Accuracy{GainPPM: 2000, Offset: 20_000}
	power := drivers.PowerSpec{
		Wire: drivers.Wire{Driver: "virtual"}, VoltageMax: 60 * drivers.Volt, CurrentMax: 40 * drivers.Ampere, PowerMaxMW: 2_000_000,
		VoltageStep: 10_000, CurrentStep: drivers.Microamps(pick(10_000, 20_000, 50_000, 100_000)),
		VoltageAcc: drivers.Accuracy{GainPPM: 500, Offset: 20_000},
		Delay:      drivers.Span(between(20, 500)) * drivers.Millisecond,
		Slew:       drivers.Microamps(between(2, 200)) * drivers.Ampere, CommTimeout: 5 * drivers.Second,
	}
	// An instrument's meter is as coarse as its settings, and noisier than half a
	// step; what cannot be told from no current is twice that.
	power.CurrentAcc = drivers.Accuracy{GainPPM: 1000, Offset: int64(power.CurrentStep)}
	b.Supply, b.Load = power, power
	c.taper = max(c.taper, 4.1*float64(max(power.CurrentStep, 20_000))/1e6/c.rated)
	return c
}

// amps and taperAmps are the drive's currents on the instrument's grid.
func (c *holdCase) amps() drivers.Microamps      { return c.onGrid(c.rate * c.rated) }
func (c *holdCase) taperAmps() drivers.Microamps { return c.onGrid(c.taper * c.rated) }

func (c *holdCase) onGrid(a float64) drivers.Microamps {
	step := c.bench.Supply.CurrentStep
	return drivers.Microamps(a*1e6) / step * step
}

func (c *holdCase) hold() float64 { return holdVolts[c.chemistry][c.discharge] }

// cell is the group that the article is made of, before chance.
func (c *holdCase) cell() plant.CellSpec {
	if c.chemistry == "NMC" {
		return plant.PouchNMC()
	}
	return plant.PouchLFP()
}

func (c *holdCase) open() *plant.Chemistry { return c.cell().Chemistry }

// resistance is what a file would rightly declare, Ohm: what a cell shows at
// once. slowest is the most that its voltage follows a current by in the end:
// with both pairs, a fifth for the spread and a fifth for the ends of charge.
func (c *holdCase) resistance() float64 {
	one := c.cell()
	return one.R0 * one.Capacity / (c.rated * 3600)
}

func (c *holdCase) slowest() float64 {
	one := c.cell()
	return (one.R0 + one.Pairs[0].R + one.Pairs[1].R) * one.Capacity / (c.rated * 3600) * 1.2 * 1.2
}

// files writes the profile and the module as a person would.
func (c *holdCase) files() (profile, module string) {
	word := "charge"
	if c.discharge {
		word = "discharge"
	}
	profile = fmt.Sprintf(`
profile: hold
title: hold a cell
attended: yes
expect_start: %d %%
steps:
  - %s: {current: %.3f A, hold: %.3f V/cell, taper: %.3f A}
`, int(c.soc*100), word, float64(c.amps())/1e6, c.hold(), float64(c.taperAmps())/1e6)

	open, top := c.open(), 3.60
	maker, limits, nominal := [2]float64{2.2, 3.95}, [2]float64{2.6, 3.68}, 3.2
	if c.chemistry == "NMC" {
		top = 4.20
		maker, limits, nominal = [2]float64{2.3, 4.45}, [2]float64{2.75, 4.25}, 3.7
	}
	var s strings.Builder
	fmt.Fprintf(&s, `
module: HC-01
title: a drawn article
chemistry: %s
series: %d
parallel: 1
rated_capacity: %.3f Ah
nominal: %.2f V/cell
cell_resistance: %.3f mOhm
storage: 20 %% to 40 %%
maker:
  cell_max: %.3f V/cell
  cell_min: %.3f V/cell
  no_charge_under: 2.00 V/cell
  charge_max: %.2f A
  discharge_max: %.2f A
  charge_temperature: 0 degC to 60 degC
  discharge_temperature: -20 degC to 70 degC
`, c.chemistry, c.series, c.rated, nominal, c.resistance()*c.misdeclared*1e3, maker[1], maker[0], 2*c.rated, 2*c.rated)
	if c.table != "" {
		fmt.Fprintf(&s, "  charge_table:\n%s", c.table)
	}
	fmt.Fprintf(&s, `limits:
  cell_max: %.3f V/cell
  cell_min: %.3f V/cell
  charge_max: %.2f A
  discharge_max: %.2f A
  charge_temperature: 2 degC to 50 degC
  discharge_temperature: -10 degC to 55 degC
thermal:
  heat_capacity: 90 J/K
  conductance: 1.5 W/K
temperature_sensors: [2, 5]
permits: {recover_low: yes, recover_high: yes, recovery_current: 0.01 A}
open_circuit:
`, limits[1], limits[0], 1.8*c.rated, 1.8*c.rated)
	for _, p := range []float64{0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 1} {
		fmt.Fprintf(&s, "  %g %%: %.4f V\n", p*100, min(open.OCV(p), top))
	}
	return profile, s.String()
}

// plan compiles the case's files for a bench that declares a longer delay than
// the true one.
func (c *holdCase) plan(t testing.TB) *machine.Plan {
	t.Helper()
	profile, module := c.files()
	p, problems := profiles.ParseProfile("hold.yaml", []byte(profile))
	require.Empty(t, problems, "seed %d", c.seed)
	m, problems := profiles.ParseModule("module.yaml", []byte(module))
	require.Empty(t, problems, "seed %d\n%s", c.seed, module)
	b := &profiles.Bench{Bench: c.bench, HaltPath: 50 * drivers.Millisecond}
	// Instruments of a workshop on a small cell: hardware bounds what they can give.
	most := drivers.Microamps(1.8 * c.rated * 1e6)
	b.Protections.CurrentLimit = &profiles.CurrentLimit{Charge: most, Discharge: most}
	for _, s := range []*drivers.PowerSpec{&b.Supply, &b.Load} {
		s.Delay = drivers.Span(float64(s.Delay) * c.late)
	}
	plan, problems := profiles.Compile(p, m, b)
	require.Empty(t, problems, "seed %d", c.seed)
	plan.Probe = 0 // the control is judged, from its first current on
	return plan
}

// rig is the bench as it truly is.
func (c *holdCase) rig(t testing.TB) *virtual.Bench {
	t.Helper()
	a := virtual.DefaultArticle()
	a.Chemistry, a.Capacity, a.SoC = c.chemistry, drivers.Charge(c.rated*float64(drivers.AmpereHour)), c.soc
	a.Spread = plant.Spread{Capacity: 0.03, Resistance: 0.20, SoC: 0.005, SelfDischarge: 0.5, Joint: 0.2}
	a.Ambient = drivers.ZeroC + drivers.Millikelvins(c.ambient*1000)
	b, err := virtual.New(virtual.Config{Bench: c.bench, Article: a, Seed: c.seed, Start: 1_790_000_000_000_000, Sensing: c.sensing})
	require.NoError(t, err, "seed %d", c.seed)
	return b
}
