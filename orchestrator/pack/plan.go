package pack

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Place is one module in its place.
type Place struct {
	Module string `json:"module"`
	// Share is the module's part of the pack's current, 0 to 1; Heat is what it turns
	// into heat against the mean of all modules of the pack, 1 being as much.
	Share float64 `json:"share"`
	Heat  float64 `json:"heat"`
	// Capacity in Ah and Resistance in mOhm are the module's own.
	Capacity   float64 `json:"capacity_Ah"`
	Resistance float64 `json:"resistance_mOhm"`
}

// Set is a string of modules in series, or a group of modules in parallel, with its
// modules in the order in which to place them: the first where cooling is best.
type Set struct {
	Places []Place `json:"places"`
	// Capacity is what the set gives alone, Ah, and Energy in Wh; Resistance is in
	// mOhm, Share its part of the current, Excess how far that lies over an even
	// share, relative.
	Capacity   float64 `json:"capacity_Ah"`
	Energy     float64 `json:"energy_Wh"`
	Resistance float64 `json:"resistance_mOhm"`
	Share      float64 `json:"share"`
	Excess     float64 `json:"share_excess"`
	// Weakest is the module that is empty first.
	Weakest string `json:"weakest"`
	// Apart is by how much the set's modules in series discharge themselves apart in
	// 30 days, Ah; of groups, by how much this one lies over the least.
	Apart float64 `json:"apart_in_30_days_Ah"`
}

// Exchange is what it would bring to exchange one module for another.
type Exchange struct {
	Out string `json:"out"`
	In  string `json:"in"`
	// Energy is the gain, Wh; Charge in Ah.
	Energy float64 `json:"gain_Wh"`
	Charge float64 `json:"gain_Ah"`
}

// Plan says which module goes where and what the pack will give.
type Plan struct {
	ParallelFirst bool  `json:"parallel_first"`
	Sets          []Set `json:"sets"`
	// Limiting is the number, from 0, of the set that is empty first.
	Limiting int `json:"limiting"`
	// Charge in Ah and Energy in Wh are what the pack gives with every value as
	// measured; Forecast with their uncertainties.
	Charge   float64  `json:"charge_Ah"`
	Energy   float64  `json:"energy_Wh"`
	Forecast Forecast `json:"forecast"`
	// Proven says that no arrangement of these modules is better; Ceiling is an
	// energy that none exceeds, Wh, and OfCeiling the part of it that is reached.
	Proven    bool    `json:"proven_best"`
	Ceiling   float64 `json:"ceiling_Wh"`
	OfCeiling float64 `json:"of_ceiling"`
	// Current is what the pack may give until the first module is at its limit, A; 0
	// where that limit is unknown.
	Current float64 `json:"current_A"`
	// Weakest is the module whose place would gain the most from a middling one, of
	// those that are empty first in their sets, and how much: what it costs. Swap is the exchange of two modules that would help
	// most; nil where none would.
	Weakest Exchange  `json:"weakest"`
	Swap    *Exchange `json:"swap"`
	// Spare are the modules left over.
	Spare []string `json:"spare"`
}

// Options say how a plan is made.
type Options struct {
	// Seed decides the draws; Draws is how many the forecast makes.
	Seed  uint64
	Draws int
}

// DrawsMost bounds the forecast.
const DrawsMost = 1_000_000

func (o *Options) check() error {
	if o.Draws < 100 || o.Draws > DrawsMost {
		return fmt.Errorf("%d draws; 100 to %d would be right", o.Draws, DrawsMost)
	}
	return nil
}

// Choose arranges candidates so that the pack gives the most energy before its
// first string or group is empty.
func Choose(list []Candidate, l Layout, o Options) (*Plan, error) {
	if err := checkAll(list, &l, &o); err != nil {
		return nil, err
	}
	m := newModel(&l, values(list))
	y, sets := m.seek(o.Seed)
	y, sets, proven := m.exact(y, sets)
	p := m.plan(list, sets, y, o)
	p.Proven = proven || p.OfCeiling >= 1-1e-9
	return p, nil
}

// Judge says what an arrangement gives that is there already: names by set, in the
// order of the parallel places where these differ.
func Judge(list []Candidate, arrangement [][]string, l Layout, o Options) (*Plan, error) {
	if err := checkAll(list, &l, &o); err != nil {
		return nil, err
	}
	count, size := l.sets()
	if len(arrangement) != count {
		return nil, fmt.Errorf("%d sets are named; %d would be right", len(arrangement), count)
	}
	at := map[string]int{}
	for i := range list {
		at[list[i].Name] = i
	}
	seen := map[string]bool{}
	sets := make([][]int, count)
	for s, names := range arrangement {
		if len(names) != size {
			return nil, fmt.Errorf("set %d has %d modules; %d would be right", s+1, len(names), size)
		}
		for _, name := range names {
			i, known := at[name]
			if !known || seen[name] {
				return nil, fmt.Errorf("module %s is unknown or named twice; each known one once would be right", name)
			}
			seen[name] = true
			sets[s] = append(sets[s], i)
		}
	}
	m := newModel(&l, values(list))
	return m.plan(list, sets, m.of(sets), o), nil
}

func checkAll(list []Candidate, l *Layout, o *Options) error {
	names := map[string]bool{}
	for i := range list {
		if err := list[i].check(); err != nil {
			return err
		}
		if names[list[i].Name] {
			return fmt.Errorf("module %s is named twice; each once would be right", list[i].Name)
		}
		names[list[i].Name] = true
	}
	if err := l.check(len(list)); err != nil {
		return err
	}
	return o.check()
}

func (m *model) plan(list []Candidate, sets [][]int, y yield, o Options) *Plan {
	p := &Plan{ParallelFirst: m.layout.ParallelFirst, Limiting: y.limiting, Charge: y.charge, Energy: y.energy, Ceiling: m.ceiling(), Spare: []string{}}
	p.OfCeiling = y.energy / p.Ceiling
	p.Forecast = m.forecast(list, sets, o)
	p.Weakest = m.weakest(list, sets, y)
	p.Swap = m.swap(list, sets, y)
	for s, members := range sets {
		p.Sets = append(p.Sets, m.describe(list, s, members))
	}
	m.share(p)
	used := map[int]bool{}
	for _, members := range sets {
		for _, i := range members {
			used[i] = true
		}
	}
	for i := range list {
		if !used[i] {
			p.Spare = append(p.Spare, list[i].Name)
		}
	}
	return p
}

// describe tells of one set what does not depend on the others.
func (m *model) describe(list []Candidate, s int, members []int) Set {
	got := m.set(s, members)
	out := Set{Capacity: got.charge, Energy: got.charge * got.volts, Resistance: got.ohms, Share: 1}
	out.Weakest = list[members[m.first(members)]].Name
	low, high := math.Inf(1), math.Inf(-1)
	for j, i := range members {
		pl := Place{Module: list[i].Name, Share: 1, Capacity: m.charge[i], Resistance: m.ohms[i]}
		if m.layout.ParallelFirst {
			pl.Share = got.ohms / (m.ohms[i] * m.warm[j])
		}
		low, high = min(low, m.leak[i]), max(high, m.leak[i])
		out.Places = append(out.Places, pl)
	}
	out.Apart = (high - low) * 0.72
	if m.layout.ParallelFirst {
		out.Apart = got.leak * 0.72 // less the least of all, in share
	}
	return out
}

// share tells how current and heat divide, and puts what grows warmest where
// cooling is best. In series that is what has the most resistance; among modules in
// parallel the one with the least, since it carries the most.
func (m *model) share(p *Plan) {
	g, leak := 0.0, math.Inf(1)
	for i := range p.Sets {
		g += 1 / p.Sets[i].Resistance
		leak = min(leak, p.Sets[i].Apart)
	}
	total, even := 0.0, 1/float64(m.layout.Strings)
	for i := range p.Sets {
		s := &p.Sets[i]
		if m.layout.ParallelFirst {
			s.Apart -= leak
		} else {
			s.Share = 1 / s.Resistance / g
		}
		for j := range s.Places {
			pl := &s.Places[j]
			pl.Share *= s.Share
			s.Excess = max(s.Excess, pl.Share/even-1)
			at := i
			if m.layout.ParallelFirst {
				at = j
			}
			pl.Heat = pl.Share * pl.Share * pl.Resistance * m.warm[at]
			total += pl.Heat
		}
		if m.layout.ModuleAmps > 0 {
			most := m.layout.ModuleAmps / (even * (1 + s.Excess))
			if p.Current == 0 || most < p.Current {
				p.Current = most
			}
		}
	}
	modules := float64(m.layout.Strings * m.layout.Series)
	for i := range p.Sets {
		for j := range p.Sets[i].Places {
			p.Sets[i].Places[j].Heat *= modules / total
		}
	}
	m.order(p)
}

// order: the warmest first, except where the places decided the choice.
func (m *model) order(p *Plan) {
	warmth := func(s Set) (sum float64) {
		for _, pl := range s.Places {
			sum += pl.Heat
		}
		return sum
	}
	byHeat := func(a, b Place) int {
		return cmp.Or(cmp.Compare(b.Heat, a.Heat), cmp.Compare(a.Module, b.Module))
	}
	for i := range p.Sets {
		if !m.layout.ParallelFirst || !m.layout.labelled() {
			slices.SortStableFunc(p.Sets[i].Places, byHeat)
		}
	}
	if m.layout.ParallelFirst || !m.layout.labelled() {
		limiting := p.Sets[p.Limiting].Places[0].Module
		slices.SortStableFunc(p.Sets, func(a, b Set) int {
			return cmp.Or(cmp.Compare(warmth(b), warmth(a)), cmp.Compare(a.Places[0].Module, b.Places[0].Module))
		})
		p.Limiting = slices.IndexFunc(p.Sets, func(s Set) bool { return s.Places[0].Module == limiting })
	}
}
