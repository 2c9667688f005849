package balance

import (
	"cmp"
	"fmt"
	"math"
)

// rounds follows balancing from one top-up to the next, to say when there is no
// way on and which cell is to blame.
type rounds struct {
	seen    int // episode count at the latest judgement
	best    float64
	bounded bool
	idle    int // judgements without progress
	blinds  int

	moved, doubt []float64 // anchor shifts of the latest episode, Ah
	bled         []float64 // Ah at the latest judgement
	deaf         []int     // consecutive rounds in which bleeding had no effect
	heard, asked []float64

	// base is the anchor, or the best one, that later ones are held against;
	// NaN before one is known. fallen is by how much the cell came later than
	// that, less what all cells did.
	base, baseDoubt, fallen []float64
	leaks                   []int // consecutive rounds in which it fell further
}

const (
	idleMax  = 6 // rounds without progress
	blindMax = 4 // rounds in which no cell reached the knee
	leakMax  = 3
	deafMax  = 2
)

func newRounds(n int) rounds {
	r := rounds{
		best: math.Inf(1), moved: make([]float64, n), doubt: make([]float64, n), bled: make([]float64, n),
		leaks: make([]int, n), deaf: make([]int, n), heard: make([]float64, n), asked: make([]float64, n),
		base: make([]float64, n), baseDoubt: make([]float64, n), fallen: make([]float64, n),
	}
	r.restart()
	return r
}

func (r *rounds) clear() {
	for i := range r.moved {
		r.moved[i] = math.NaN()
	}
}

// restart forgets strikes: charge flowed uncounted.
func (r *rounds) restart() {
	r.clear()
	clear(r.leaks)
	clear(r.deaf)
	clear(r.fallen)
	for i := range r.base {
		r.base[i] = math.NaN()
	}
}

// shift notes by how much a cell's anchor moved in an episode. A cell that lost
// charge by itself comes to the knee later than counted; one that did not bleed
// as commanded comes sooner.
func (r *rounds) shift(i int, by, sd float64) {
	if math.IsNaN(by) {
		return
	}
	r.moved[i], r.doubt[i] = by, sd
}

// blind is for rounds in which no cell could be seen at all.
func (r *rounds) blind(episode int) string {
	if episode == r.seen {
		return ""
	}
	r.seen = episode
	if r.blinds++; r.blinds < blindMax {
		return ""
	}
	return fmt.Sprintf("no cell reached the steep top of its open-circuit curve in %d charges; the charge before balancing must hold at a higher voltage", r.blinds)
}

// judge looks at what the latest top-up has shown, once per top-up.
func (r *rounds) judge(p *Planner, imbalance, target float64, highest, lowest int, bounded bool) string {
	if p.top.count == r.seen {
		return ""
	}
	r.seen, r.blinds = p.top.count, 0
	culprit := cmp.Or(r.leaking(p, target), r.unanswered(p, target))
	for i := range r.bled {
		r.bled[i] = p.bled[i]
	}
	r.clear()
	if culprit != "" {
		return culprit
	}
	// While some cells are only bounded, a greater number may mean that more is
	// known, not that it got worse.
	if imbalance < r.best-0.1*target || bounded != r.bounded {
		r.best, r.idle = min(imbalance, r.best), 0
		if bounded != r.bounded {
			r.best = imbalance
		}
		r.bounded = bounded
		return ""
	}
	if r.idle++; r.idle < idleMax {
		return ""
	}
	return fmt.Sprintf("no progress in %d rounds: cell %02d still holds %.0f mAh more than cell %02d at the top",
		r.idle, highest+1, 1000*imbalance, lowest+1)
}

// leaking counts rounds in which a cell came to the knee later and later, or
// not at all, against what was once known of it and against the median of all.
func (r *rounds) leaking(p *Planner, target float64) string {
	late := make([]float64, len(p.cells))
	var all []float64
	for i := range p.cells {
		c := &p.cells[i]
		late[i] = math.NaN()
		switch {
		case !math.IsNaN(c.anchor) && (math.IsNaN(r.base[i]) || c.sd() < r.baseDoubt[i]/2 && r.leaks[i] == 0):
			r.base[i], r.baseDoubt[i], r.fallen[i] = c.anchor, c.sd(), 0
		case !math.IsNaN(c.anchor):
			late[i] = c.anchor - r.base[i]
			all = append(all, late[i])
		case !math.IsNaN(c.floor):
			late[i] = c.floor - r.base[i] // at least
		}
	}
	common := 0.0
	if len(all) >= 3 {
		common = median(all)
	}
	for i, l := range late {
		if math.IsNaN(l) {
			continue
		}
		l -= common
		sure := max(4*math.Hypot(r.baseDoubt[i], p.cells[i].sd()), 0.3*target)
		switch {
		case l < sure:
			r.leaks[i] = 0
		case l > r.fallen[i]+0.1*target:
			r.leaks[i]++
		}
		r.fallen[i] = l
		if r.leaks[i] >= leakMax {
			return fmt.Sprintf("cell %02d keeps losing charge by itself, %.0f mAh so far: it leaks, or its bleed path is always on", i+1, 1000*l)
		}
	}
	return ""
}

// unanswered counts rounds in which a cell came to the knee sooner than its
// bleeding allows, against the median of all.
func (r *rounds) unanswered(p *Planner, target float64) string {
	var all []float64
	for _, m := range r.moved {
		if !math.IsNaN(m) {
			all = append(all, m)
		}
	}
	if len(all) < 3 {
		return ""
	}
	common := median(all)
	for i, m := range r.moved {
		asked := p.bled[i] - r.bled[i]
		sure := max(4*r.doubt[i], 0.15*target)
		if math.IsNaN(m) || asked < sure {
			continue
		}
		m -= common
		if -m < 0.5*asked || -m < sure {
			r.deaf[i], r.asked[i], r.heard[i] = 0, 0, 0
			continue
		}
		r.deaf[i]++
		r.asked[i] += asked
		r.heard[i] += asked + m
		if r.deaf[i] >= deafMax {
			return fmt.Sprintf("cell %02d does not answer to bleeding, %.0f of %.0f mAh gone in %d rounds: its bleed path or its tap is faulty",
				i+1, 1000*max(0, r.heard[i]), 1000*r.asked[i], r.deaf[i])
		}
	}
	return ""
}
