package pack

import (
	"errors"
	"fmt"
	"math"
)

// Rules says what a check holds the branches against beside their own limits.
type Rules struct {
	// Apart is how far states of charge may lie apart at worst, 0 to 1.
	Apart float64
}

// UsualApart is what is allowed where nobody says: a tenth of the charge that may
// pass unseen (ours, no source).
const UsualApart = 0.10

// Grade says how grave a finding is.
type Grade string

// Grades.
const (
	// Refuse: the link must not close.
	Refuse Grade = "refuse"
	// Caution: it may, with what the finding demands.
	Caution Grade = "caution"
)

// Finding is one thing that the check noticed: what it is and what to do.
type Finding struct {
	Grade  Grade  `json:"grade"`
	Module string `json:"module,omitempty"`
	What   string `json:"what"`
	Do     string `json:"do"`
}

// Standing is one branch as it stands and what becomes of it.
type Standing struct {
	Module string   `json:"module"`
	Volts  float64  `json:"voltage_V"`
	SoC    Interval `json:"soc"`
	// First is the predicted current at the moment of closing, A; Moved the charge
	// taken in Ah and Heat in J until all is equal; Rise the warming by that heat, K,
	// 0 where the heat capacity is unknown.
	First float64 `json:"first_A"`
	Moved float64 `json:"moved_Ah"`
	Heat  float64 `json:"heat_J"`
	Rise  float64 `json:"rise_K"`
	// Worst is what the uncertainties allow; the limits are the weakest that carry
	// the current, A, each with its name.
	Worst          Worst   `json:"worst"`
	ChargeLimit    float64 `json:"charge_limit_A"`
	ChargeBy       string  `json:"charge_limit_by"`
	DischargeLimit float64 `json:"discharge_limit_A"`
	DischargeBy    string  `json:"discharge_limit_by"`
	// FaultCurrent is what the branch's fuse has to break, A: the others' summed
	// current into this one, or its own into a short circuit beyond it.
	FaultCurrent float64 `json:"fault_current_A"`
}

// Precheck is the answer before modules are connected in parallel.
type Precheck struct {
	Allowed  bool       `json:"allowed"`
	Findings []Finding  `json:"findings"`
	Modules  []Standing `json:"modules"`
	// Difference is the greatest of the measured voltages less the least, V;
	// AllowedDifference what the limits permit with everything known exactly.
	Difference        float64 `json:"difference_V"`
	AllowedDifference float64 `json:"allowed_difference_V"`
	AllowedBy         string  `json:"allowed_by"`
	// Final is where all come to rest, V. Apart is the worst case of how far their
	// states of charge lie apart, 0 to 1.
	Final float64 `json:"final_V"`
	Apart float64 `json:"apart_soc"`
	// Course is the likeliest course, Stored the energy in all modules together, Wh.
	Course []Moment `json:"-"`
	Decay  []Decay  `json:"decay"`
	Stored float64  `json:"stored_Wh"`
	// Remedy is what to do first; nil where nothing has to be done.
	Remedy *Remedy `json:"remedy"`
}

// Decay is when the greatest of all currents has fallen to a share of the first.
type Decay struct {
	Share   float64 `json:"share"`
	Seconds float64 `json:"s"`
	Amps    float64 `json:"current_A"`
}

// branchesMost bounds a bank.
const branchesMost = 32

// Check predicts what happens when the branches are connected, and says whether
// they may be. The worst case over every uncertainty decides (INV-09, INV-10).
// An error means that the input is no description of a bank, or is ErrUnfollowed.
func Check(branches []Branch, rules Rules) (*Precheck, error) {
	if len(branches) < 2 || len(branches) > branchesMost {
		return nil, fmt.Errorf("%d modules to connect in parallel; 2 to %d would be right", len(branches), branchesMost)
	}
	names := map[string]bool{}
	for i := range branches {
		if err := branches[i].check(); err != nil {
			return nil, err
		}
		if names[branches[i].Name] {
			return nil, fmt.Errorf("module %s is named twice; each once would be right", branches[i].Name)
		}
		names[branches[i].Name] = true
	}
	if !(rules.Apart > 0) || rules.Apart > 1 {
		return nil, errors.New("states of charge may lie apart by more than 0 and at most 1")
	}
	p := &Precheck{Findings: []Finding{}}
	if p.unlike(branches); len(p.Findings) > 0 {
		return p, nil // nothing that follows would mean anything
	}
	states := make([]state, len(branches))
	sources := make([]source, len(branches))
	for i := range branches {
		b := &branches[i]
		states[i] = b.settle()
		sources[i] = b.source(states[i].mid, b.Voltage, b.Resistance)
	}
	course, err := run(sources, true)
	if err != nil {
		return nil, err
	}
	extremes := worst(branches, states)
	p.Final, p.Course, p.Decay = course.Final, course.Moments, decays(course)
	for i := range branches {
		p.stand(branches, i, states[i], course, extremes[i])
	}
	p.apart(branches, states)
	p.judge(branches, states, rules)
	p.Allowed = true
	for _, f := range p.Findings {
		p.Allowed = p.Allowed && f.Grade != Refuse
	}
	if !p.Allowed {
		p.Remedy = remedy(branches, states, rules)
	}
	return p, nil
}

func (p *Precheck) stand(branches []Branch, i int, s state, c *Course, w Worst) {
	b := &branches[i]
	st := Standing{Module: b.Name, Volts: b.Voltage, SoC: s.soc, Moved: c.Moved[i], Heat: c.Heat[i], Worst: w}
	st.Worst.Moved = max(st.Worst.Moved, math.Abs(st.Moved)) // what was measured apart stays apart
	if len(c.Moments) > 0 {
		st.First = c.Moments[0].Amps[i]
	}
	if b.HeatCapacity > 0 {
		st.Rise = st.Heat / b.HeatCapacity
	}
	st.ChargeLimit, st.ChargeBy = b.limit(true)
	st.DischargeLimit, st.DischargeBy = b.limit(false)
	for j := range branches {
		if j != i {
			st.FaultCurrent += b.beyond(&branches[j])
		}
	}
	st.FaultCurrent = max(st.FaultCurrent, b.beyond(b))
	p.Stored += b.Capacity * s.mid * float64(b.Series) * b.Curve.mean(0, s.mid)
	p.Modules = append(p.Modules, st)
}

// beyond is what another drives into a dead short at this branch, A.
func (b *Branch) beyond(o *Branch) float64 {
	return math.Abs(o.Voltage+o.VoltageWithin) / o.lowest()
}

func (p *Precheck) apart(branches []Branch, states []state) {
	low, high := branches[0].Voltage, branches[0].Voltage
	for i := range branches {
		low, high = min(low, branches[i].Voltage), max(high, branches[i].Voltage)
		for j := range branches {
			if j != i {
				p.Apart = max(p.Apart, states[i].soc.High-states[j].soc.Low)
			}
		}
	}
	p.Difference = high - low
	d, at, charging := allowed(branches)
	_, what := branches[at].limit(charging)
	p.AllowedDifference, p.AllowedBy = d, branches[at].Name+": "+what
}

// quiet is a current of which no decay is told, A.
const quiet = 1e-3

// shares are those at which a decay is told.
var shares = []float64{1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01}

func decays(c *Course) []Decay {
	var out []Decay
	if len(c.Moments) == 0 {
		return out
	}
	greatest := func(m *Moment) float64 {
		g := 0.0
		for _, a := range m.Amps {
			g = max(g, math.Abs(a))
		}
		return g
	}
	first, k := greatest(&c.Moments[0]), 0
	if first < quiet {
		return out
	}
	for _, share := range shares {
		for k < len(c.Moments) && greatest(&c.Moments[k]) > share*first {
			k++
		}
		if k == len(c.Moments) {
			break
		}
		d := Decay{Share: share, Seconds: c.Moments[k].Seconds, Amps: greatest(&c.Moments[k])}
		if k > 0 && d.Amps < share*first { // exponential between two steps
			a, b := greatest(&c.Moments[k-1]), d.Amps
			from := c.Moments[k-1].Seconds
			d.Seconds = from + (d.Seconds-from)*math.Log(a/(share*first))/math.Log(a/b)
			d.Amps = share * first
		}
		out = append(out, d)
	}
	return out
}
