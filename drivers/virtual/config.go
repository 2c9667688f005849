package virtual

import (
	"fmt"
	"io"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// Config says what a virtual bench is made of. The same Config gives the same
// frames, bit for bit, on every processor.
type Config struct {
	// Bench describes the instruments; the bench file's own words.
	Bench   drivers.Bench `json:"bench"`
	Article Article       `json:"article"`
	// Seed draws the article's spread, the sensors' errors, noise and delays.
	Seed uint64 `json:"seed"`
	// Start is the bench's first instant.
	Start  drivers.Instant `json:"start_us"`
	Faults []Fault         `json:"faults,omitempty"`
	// Sensing says how much of the declared accuracies the sensors use up.
	Sensing Sensing `json:"sensing,omitzero"`
	// Zero is the true current that counts as none, for the truth log and
	// ZeroSince; 0: 50 mA, over what a link bleed draws.
	Zero drivers.Microamps `json:"zero_uA,omitempty"`
	// Truth, where given, gets a line (see TruthLine) whenever the true current
	// begins or ends, and when a fault begins or ends. Errors of writing are
	// kept: see Bench.TruthErr.
	Truth io.Writer `json:"-"`
}

// Sensing is how sensors err. A sensor's gain and offset are drawn evenly
// within Static times the declared accuracy and stay; noise is normal with a
// standard deviation of Noise times the declared offset, or half a step where
// that is more. The defaults together keep four standard deviations of noise
// inside the declaration, a step's rounding aside.
type Sensing struct {
	Static float64 `json:"static,omitempty"` // 0: 0.6
	Noise  float64 `json:"noise,omitempty"`  // 0: 0.1
	// Ideal leaves nothing but the steps.
	Ideal bool `json:"ideal,omitempty"`
	// Edge puts gains and offsets at the ends of what is declared.
	Edge Edge `json:"edge,omitempty"`
	// Steps, where Edge is set, is the standard deviation of the noise in steps
	// of each reading; 0: none at all, the readings stand.
	Steps float64 `json:"steps,omitempty"`
}

// Edge says at which end of its declaration a healthy sensor stands: the gain
// wholly, the offset as far as half a step and four standard deviations of noise
// leave room, since a declared accuracy is the greatest error of any reading.
type Edge string

// Edges.
const (
	EdgeNone   Edge = ""       // as Static and Noise say
	EdgeWithin Edge = "within" // anywhere within, with Steps of noise
	EdgeDrawn  Edge = "drawn"  // each sensor at either end
	// EdgeApart puts the monitor's sensors at the upper end and whatever they
	// are compared with at the lower one; EdgeCrossed the other way round.
	EdgeApart   Edge = "apart"
	EdgeCrossed Edge = "crossed"
)

// opposed is how the sensors err that the monitor's are compared with.
func (s Sensing) opposed() Sensing {
	switch s.Edge {
	case EdgeApart:
		s.Edge = EdgeCrossed
	case EdgeCrossed:
		s.Edge = EdgeApart
	}
	return s
}

// Article describes the module under test. Start from DefaultArticle.
type Article struct {
	Chemistry string `json:"chemistry"` // "LFP", "NMC" or "LIC"
	// Series is the number of cell groups; 0: the monitor's.
	Series int `json:"series,omitempty"`
	// Capacity is the true mean capacity of a group; 0: 40 Ah.
	Capacity drivers.Charge `json:"capacity_nC,omitempty"`
	// SoC is the state of charge at the start, 0 to 1.
	SoC float64 `json:"soc"`
	// Spread is how the groups differ; see plant.Spread.
	Spread  plant.Spread   `json:"spread"`
	Defects []plant.Defect `json:"defects,omitempty"`
	// Ambient temperature, also the article's at the start; 0: 25 degC.
	Ambient drivers.Millikelvins `json:"ambient_mK,omitempty"`
	// Without switches effects of the cells off, for closed forms.
	Without plant.Effect `json:"without,omitempty"`
	// Joint is the resistance of one weld, Terminals that of both terminals;
	// 0: our invented module's.
	Joint     drivers.Microohms `json:"joint_uOhm,omitempty"`
	Terminals drivers.Microohms `json:"terminals_uOhm,omitempty"`
}

// DefaultArticle is our invented 24S2P module of 20 Ah LFP pouch cells as it
// comes from welding: at a third of its charge, cells apart by 3 % in capacity
// and state of charge and 20 % in resistance.
func DefaultArticle() Article {
	return Article{
		Chemistry: "LFP",
		Capacity:  40 * drivers.AmpereHour,
		SoC:       0.33,
		Spread: plant.Spread{
			Capacity: 0.03, Resistance: 0.20, SoC: 0.015,
			SelfDischarge: 0.5, Joint: 0.2, Kelvin: 0.3,
		},
		Ambient:   drivers.ZeroC + 25*drivers.Kelvin,
		Joint:     60,
		Terminals: 300,
	}
}

// WorkshopBench is the bench of our invented boatyard workshop: what tests and
// demonstrations use when no bench file is at hand.
func WorkshopBench() drivers.Bench {
	const ms = drivers.Millisecond
	power := drivers.PowerSpec{
		Wire: drivers.Wire{Driver: "virtual"}, VoltageMax: 120 * drivers.Volt, CurrentMax: 60 * drivers.Ampere, PowerMaxMW: 5_000_000,
		VoltageStep: 10_000, CurrentStep: 10_000,
		VoltageAcc: drivers.Accuracy{GainPPM: 500, Offset: 50_000},
		CurrentAcc: drivers.Accuracy{GainPPM: 1000, Offset: 30_000},
		Delay:      100 * ms, Slew: 100 * drivers.Ampere, CommTimeout: 2 * drivers.Second,
	}
	return drivers.Bench{
		Name: "workshop",
		Monitor: drivers.MonitorSpec{
			Wire: drivers.Wire{Driver: "virtual"}, Cells: 24, Temps: 6, Period: 100 * ms,
			CellStep: 100, CellAccuracy: drivers.Accuracy{Offset: 2_000},
			TempStep: 100, TempAccuracy: drivers.Accuracy{Offset: 1_000},
			CurrentStep: 10_000, CurrentAcc: drivers.Accuracy{GainPPM: 2000, Offset: 30_000},
			CurrentRange: 100 * drivers.Ampere,
			Skew:         10 * ms, Window: 20 * ms,
			Bleed: 33_000_000, BleedTimeout: 10 * drivers.Second,
		},
		Supply: power,
		Load:   power,
		Box: drivers.BoxSpec{
			Wire: drivers.Wire{Driver: "virtual"}, Precharge: 100_000_000, LinkNF: 1_000_000, LinkBleed: 10_000_000_000,
			LinkStep: 10_000, LinkAcc: drivers.Accuracy{GainPPM: 1000, Offset: 50_000}, LinkPeriod: 5 * ms,
			DifferenceMax: 2 * drivers.Volt, OpeningCurrent: drivers.Ampere, BreakingCurrent: 200 * drivers.Ampere,
			OpeningTime: 100 * ms, SwitchTime: 30 * ms,
			CurrentStep: 20_000, CurrentAcc: drivers.Accuracy{GainPPM: 5000, Offset: 100_000},
			Heartbeat: drivers.Second,
		},
		Meter: drivers.MeterSpec{
			Wire: drivers.Wire{Driver: "virtual"}, VoltageStep: 1_000, VoltageAcc: drivers.Accuracy{GainPPM: 200, Offset: 5_000},
		},
		Lease: drivers.Second,
	}
}

// withDefaults fills what was left open and refuses what makes no bench.
func (c Config) withDefaults() (Config, error) {
	a, m := &c.Article, &c.Bench.Monitor
	if a.Series == 0 {
		a.Series = m.Cells
	}
	if a.Capacity == 0 {
		a.Capacity = 40 * drivers.AmpereHour
	}
	if a.Ambient == 0 {
		a.Ambient = drivers.ZeroC + 25*drivers.Kelvin
	}
	if c.Zero == 0 {
		c.Zero = 50_000
	}
	if c.Sensing.Static == 0 {
		c.Sensing.Static = 0.6
	}
	if c.Sensing.Noise == 0 {
		c.Sensing.Noise = 0.1
	}
	switch {
	case m.Cells < 1 || m.Cells > 1024:
		return c, fmt.Errorf("virtual bench: monitor has %d cells; 1 to 1024 are possible", m.Cells)
	case m.Temps < 0 || m.Temps > m.Cells:
		return c, fmt.Errorf("virtual bench: %d temperature sensors for %d cells; at most one a cell", m.Temps, m.Cells)
	case a.Series != m.Cells:
		return c, fmt.Errorf("virtual bench: article of %d cells on a monitor of %d; they must be equal", a.Series, m.Cells)
	case m.Period < drivers.Millisecond:
		return c, fmt.Errorf("virtual bench: monitor period %d us; at least 1 ms is needed", m.Period)
	case m.Skew < 0 || m.Window < 0 || m.Skew+m.Window > m.Period:
		return c, fmt.Errorf("virtual bench: skew %d us and window %d us do not fit into the monitor's period of %d us", m.Skew, m.Window, m.Period)
	case c.Bench.Box.LinkNF <= 0:
		return c, fmt.Errorf("virtual bench: link capacitance %d nF must be positive", c.Bench.Box.LinkNF)
	case !(a.SoC >= 0 && a.SoC <= 1):
		return c, fmt.Errorf("virtual bench: state of charge %v must be from 0 to 1", a.SoC)
	case a.Capacity < drivers.AmpereHour/1000:
		return c, fmt.Errorf("virtual bench: capacity %d uA.ms is under 1 mAh", a.Capacity)
	}
	return c, nil
}

// cell returns the electrical and thermal description of one group.
func (a *Article) cell() (plant.CellSpec, error) {
	var one plant.CellSpec
	switch a.Chemistry {
	case "LFP", "":
		one = plant.PouchLFP()
	case "NMC":
		one = plant.PouchNMC()
	case "LIC":
		one = hybridCapacitor()
	default:
		return one, fmt.Errorf("virtual bench: chemistry %q is unknown; LFP, NMC and LIC are possible", a.Chemistry)
	}
	want := float64(a.Capacity) / float64(1e9)
	n := max(1, int(math.Floor(want/one.Capacity+0.5)))
	group := one.Parallel(n)
	// What whole cells do not make up is a matter of size.
	size := want / group.Capacity
	group.Capacity = want
	group.R0 /= size
	for i := range group.Pairs {
		group.Pairs[i].R /= size
	}
	group.SelfDischarge *= size
	group.HeatCapacity *= size
	return group.Without(a.Without), nil
}

// hybridCapacitor is our invented lithium-ion capacitor cell of 0.1 Ah, 225 F,
// for practice: it takes tens of times its capacity an hour, and its voltage
// rises in a straight line, so that a minute shows a whole test and no knee
// runs away from the guard. All figures are of the usual size for such a cell
// (common practice, no source); 2.2 V to 3.8 V is its usual window (from memory).
func hybridCapacitor() plant.CellSpec {
	return plant.CellSpec{
		Chemistry:     plant.Linear(2.2, 3.8),
		Capacity:      360,
		R0:            3e-3,
		Pairs:         [2]plant.Pair{{R: 0.5e-3, Tau: 0.25}, {R: 0.5e-3, Tau: 1.5}},
		Activation:    10e3,
		Discharge:     1.02,
		Efficiency:    0.9998,
		SelfDischarge: 10e-6,
		HeatCapacity:  25,
		ToAmbient:     0.05,
		ToNeighbour:   0.5,
	}
}

// plant makes the article and the network around it.
func (c *Config) plant() (*plant.Bench, error) {
	article, box := c.mistaken(), &c.Bench.Box
	a := &article
	cell, err := a.cell()
	if err != nil {
		return nil, err
	}
	module, err := plant.Draw(c.Seed, plant.Build{
		Cell: cell, Series: a.Series, SoC: a.SoC,
		Kelvin: float64(a.Ambient) / 1e3,
		Joint:  float64(a.Joint) / 1e6, Terminals: float64(a.Terminals) / 1e6,
		Bleed: float64(c.Bench.Monitor.Bleed) / 1e6,
	}, a.Spread, a.Defects...)
	if err != nil {
		return nil, fmt.Errorf("virtual bench: %w", err)
	}
	b, err := plant.NewBench(module, plant.Network{
		Link: float64(box.LinkNF) / 1e9, LinkBleed: float64(box.LinkBleed) / 1e6,
		Precharge: float64(box.Precharge) / 1e6,
		Contact:   contactOhm, Leads: leadsOhm,
		FuseRating: fuseRatio * float64(max(c.Bench.Supply.CurrentMax, c.Bench.Load.CurrentMax)) / 1e6,
		FuseMelt:   fuseMelt,
	})
	if err != nil {
		return nil, fmt.Errorf("virtual bench: %w", err)
	}
	return b, nil
}

// The workshop's wiring (common practice, no source): one closed contactor, the
// leads, and a fuse of twice the instruments' current.
const (
	contactOhm = 0.0003
	leadsOhm   = 0.004
	fuseRatio  = 2.0
	fuseMelt   = 5000.0
)
