package study

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/sample"
)

// level is that of every interval that a study states.
const level = 0.95

// Tally counts trials as they come.
type Tally struct {
	kinds []Kind
	found map[string][]seen
	cover map[string]*Coverage
	names []string // of the figures, as they came
}

// seen is one trial, as far as curves need it.
type seen struct {
	Size  float64 `json:"size"`
	Held  bool    `json:"held"`
	Named bool    `json:"named"`
	Seed  uint64  `json:"seed"`
	Why   string  `json:"why,omitempty"` // it was held back
}

// NewTally counts trials of these kinds.
func NewTally(kinds []Kind) *Tally {
	return &Tally{kinds: kinds, found: map[string][]seen{}, cover: map[string]*Coverage{}}
}

// Add counts a trial.
func (t *Tally) Add(r *Trial) {
	s := seen{Size: r.Size, Held: r.Held, Named: r.Named, Seed: r.Seed}
	if r.Held {
		s.Why = r.why()
	}
	t.found[r.Kind] = append(t.found[r.Kind], s)
}

// why tells in words why the module was held back.
func (r *Trial) why() string {
	if r.Ended != machine.OutcomeDone {
		return string(r.Ended) + ": " + r.Reason
	}
	words := []string{string(r.Decision)}
	for _, o := range r.Odd {
		words = append(words, fmt.Sprintf("cell %d, %s %.5g %s of %.5g, z %.1f", o.Cell, o.Figure, o.Value, o.Unit, o.Median, o.Z))
	}
	return strings.Join(append(words, r.Reasons...), "; ")
}

// Cover counts the figures of a measured run.
func (t *Tally) Cover(list []Cover) {
	for _, c := range list {
		t.coverage(c.Figure).add(&c)
	}
}

func (t *Tally) coverage(figure string) *Coverage {
	k := t.cover[figure]
	if k == nil {
		k = &Coverage{Figure: figure}
		t.cover[figure] = k
		t.names = append(t.names, figure)
	}
	return k
}

// Share is how many of so many, with the exact interval of its probability.
type Share struct {
	Hits int     `json:"hits"`
	Of   int     `json:"of"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

func share(list []seen, is func(*seen) bool) Share {
	s := Share{Of: len(list)}
	for i := range list {
		if is(&list[i]) {
			s.Hits++
		}
	}
	s.Low, s.High = sample.Binomial(s.Hits, s.Of, level)
	return s
}

// Part is the part that came true.
func (s Share) Part() float64 { return float64(s.Hits) / float64(max(s.Of, 1)) }

// Band is what became of the defects of a range of sizes.
type Band struct {
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Held  Share   `json:"held_back"`
	Named Share   `json:"named"`
}

// Curve is what was found of a kind.
type Curve struct {
	Kind
	Bands []Band `json:"bands"`
	All   Band   `json:"all"`
	// Smallest is the size from which on at least 99 % were held back, band by
	// band; 0 where there is none. Above is the share of all from there on.
	Smallest float64 `json:"smallest_found"`
	Above    Share   `json:"above"`
	// Missed is the seed of the largest defect that was not held back.
	Missed     uint64  `json:"missed_seed,omitempty"`
	MissedSize float64 `json:"missed_size,omitempty"`
}

// bands is how many ranges of sizes a curve has.
const bands = 10

// foundPart is the part that counts as found.
const foundPart = 0.99

// Curves returns the kinds' curves, in their order.
func (t *Tally) Curves() []Curve {
	var out []Curve
	for _, k := range t.kinds {
		if list := slices.Clone(t.found[k.Name]); len(list) > 0 {
			out = append(out, curve(k, list))
		}
	}
	return out
}

func band(from, to float64, list []seen) Band {
	return Band{From: from, To: to,
		Held: share(list, func(s *seen) bool { return s.Held }), Named: share(list, func(s *seen) bool { return s.Named })}
}

func curve(k Kind, list []seen) Curve {
	slices.SortFunc(list, func(a, b seen) int { return cmp.Compare(a.Size, b.Size) })
	c := Curve{Kind: k, All: band(k.Least, k.Most, list)}
	for i := len(list) - 1; i >= 0; i-- {
		if !list[i].Held {
			c.Missed, c.MissedSize = list[i].Seed, list[i].Size
			break
		}
	}
	if k.Least == k.Most {
		return c
	}
	step := math.Log(k.Most/k.Least) / bands
	from := 0
	for i := range bands {
		low, high := k.Least*math.Exp(float64(i)*step), k.Least*math.Exp(float64(i+1)*step)
		to := from
		for to < len(list) && (list[to].Size < high || i == bands-1) {
			to++
		}
		c.Bands = append(c.Bands, band(low, high, list[from:to]))
		from = to
	}
	for i := bands - 1; i >= 0 && c.Bands[i].Held.Of > 0 && c.Bands[i].Held.Part() >= foundPart; i-- {
		c.Smallest = c.Bands[i].From
	}
	if c.Smallest > 0 {
		at, _ := slices.BinarySearchFunc(list, c.Smallest, func(s seen, v float64) int { return cmp.Compare(s.Size, v) })
		c.Above = share(list[at:], func(s *seen) bool { return s.Held })
	}
	return c
}

// Coverage is how often a figure's interval held the truth.
type Coverage struct {
	Figure string  `json:"figure"`
	Held   Share   `json:"held"`
	Bias   float64 `json:"mean_error_in_u"` // mean of (value - truth)/U
	sum    float64
}

func (c *Coverage) add(v *Cover) {
	c.Held.Of++
	if v.Holds() {
		c.Held.Hits++
	}
	c.sum += (v.Value - v.Truth) / v.U
}

// Coverages returns every figure's coverage.
func (t *Tally) Coverages() []Coverage {
	var out []Coverage
	for _, n := range t.names {
		c := *t.cover[n]
		c.Held.Low, c.Held.High = sample.Binomial(c.Held.Hits, c.Held.Of, level)
		c.Bias = c.sum / float64(c.Held.Of)
		out = append(out, c)
	}
	return out
}

// Unwell is a good module that was held back.
type Unwell struct {
	Seed uint64 `json:"seed"`
	Why  string `json:"why"`
}

// FalseAlarms lists the good modules that were held back.
func (t *Tally) FalseAlarms() (out []Unwell) {
	for _, s := range t.found["none"] {
		if s.Why != "" {
			out = append(out, Unwell{s.Seed, s.Why})
		}
	}
	return out
}
