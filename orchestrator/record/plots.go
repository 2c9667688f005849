package record

import (
	"fmt"
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// Sight says what of a run is to be looked at: when it went from and to, its
// steps, and what the plots depend on.
type Sight struct {
	From, To drivers.Instant
	Steps    []qualify.Step
	// Limit is the criterion on the cells' resistance, in mOhm; nil: none.
	Limit *float64
	// TempMax is the working limit of the temperatures while discharging, degC.
	TempMax float64
}

// instant is a step's place in time.
func begin(s *qualify.Step) drivers.Instant { return drivers.Instant(s.StartUS) }
func end(s *qualify.Step) drivers.Instant {
	return drivers.Instant(s.StartUS + int64(s.Seconds*1e6))
}

// Tracer returns a tracer for what the plots need of a run that was read every
// period.
func (s *Sight) Tracer(l *drivers.Layout, period drivers.Span) *Tracer {
	var rest [2]drivers.Instant
	if k := s.relaxed(); k >= 0 {
		rest = [2]drivers.Instant{begin(&s.Steps[k]), end(&s.Steps[k])}
	}
	before, after := s.balanced()
	at := func(k int) drivers.Instant {
		if k < 0 {
			return math.MinInt64 / 2
		}
		return end(&s.Steps[k])
	}
	return NewTracer(l, period, s.From, s.To, rest, []drivers.Instant{at(before), at(after)})
}

// balanced finds the last rest before balancing and the first after it; -1 for
// none.
func (s *Sight) balanced() (before, after int) {
	before, after = -1, -1
	first, last := -1, -1
	for i := range s.Steps {
		if s.Steps[i].Kind == "balance" {
			if first < 0 {
				first = i
			}
			last = i
		}
	}
	for i := range s.Steps {
		switch {
		case s.Steps[i].Kind != "rest" || first < 0:
		case i < first:
			before = i
		case i > last && after < 0:
			after = i
		}
	}
	return before, after
}

// restLeast is the shortest rest, in seconds, whose relaxation is worth a look.
const restLeast = 300

// relaxed finds the rest in which the module's voltage moved most since the
// current stopped, among those of a fair length; -1 for none.
func (s *Sight) relaxed() int {
	best, most := -1, -1.0
	for i := range s.Steps {
		st := &s.Steps[i]
		if st.Kind != "rest" || st.Seconds < restLeast {
			continue
		}
		moved := 0.0
		if st.StartVoltage > 0 && st.EndVoltage > 0 {
			moved = math.Abs(st.EndVoltage - st.StartVoltage)
		}
		if moved > most {
			best, most = i, moved
		}
	}
	return best
}

// phases are the steps for the strip above a plot.
func (s *Sight) phases() []Phase {
	var out []Phase
	for i := range s.Steps {
		from := float64(begin(&s.Steps[i]).Sub(s.From)) / 1e6
		out = append(out, Phase{From: from, To: from + s.Steps[i].Seconds, Kind: s.Steps[i].Kind})
	}
	return merged(out)
}

// Plots draws what the tracer saw, and the cells' figures among their siblings.
func (s *Sight) Plots(t *Tracer, f *qualify.Figures) []Plot {
	phases := s.phases()
	out := []Plot{
		{"Cell voltages.", "Band: lowest to highest cell, every reading inside it; thin lines: single cells. " + legend(phases),
			fan(t.whole, phases, 150, "Voltage of every cell over the whole run.", "time since the run began")},
		{"Current.", "Least to greatest reading in each column; charging is positive.", current(t.whole, phases, 105)},
		{"Temperatures.", temperatureNote(t.whole), temperatures(t.whole, 108, s.TempMax)},
		{"Spread of the cells.", "Highest less lowest cell of each frame.", apartness(t.whole, phases, 110)},
	}
	if name, cells := resistances(f); len(cells) > 0 {
		out = append(out, Plot{"Resistance of each cell.", resistanceNote(name, cells, s.Limit),
			siblings(cells, odd(f, "resistance"), s.Limit, 135, "Resistance of each cell among its siblings.", "resistance / mΩ")})
	}
	if before, after := s.balanced(); before >= 0 || after >= 0 {
		out = append(out, Plot{"Cells at rest, before and after balancing.", s.restNote(before, after), rests(t.samples[0], t.samples[1], 135)})
	}
	if k := s.relaxed(); k >= 0 && t.rest != nil {
		out = append(out, Plot{"Relaxation.", fmt.Sprintf("Cells after current stopped: %s, %.0f min.", s.Steps[k].Label, s.Steps[k].Seconds/60),
			fan(t.rest, nil, 125, "Voltage of every cell during the rest.", "time since the rest began")})
	}
	kept := out[:0]
	for _, p := range out {
		if p.Drawing != nil {
			kept = append(kept, p)
		}
	}
	return kept
}

// legend tells the letters of the strip that occur.
func legend(phases []Phase) string {
	seen := map[string]bool{}
	var words []string
	for _, p := range phases {
		if !seen[p.Kind] {
			seen[p.Kind] = true
			words = append(words, letters[p.Kind]+" "+p.Kind)
		}
	}
	return "Above: " + strings.Join(words, ", ") + "."
}

func temperatureNote(v *view) string {
	hot, cold := extreme(v.temps)
	if hot < 0 || cold < 0 {
		return "No sensor was read."
	}
	return fmt.Sprintf("Band of all %d sensors; sensor %d came hottest, sensor %d coldest.", len(v.temps), hot+1, cold+1)
}

// resistances are the cells' figures at the longest time of a discharge pulse
// that was measured, else of a charge pulse.
func resistances(f *qualify.Figures) (name string, cells []qualify.Figure) {
	for _, charging := range []bool{false, true} {
		for _, after := range []float64{10, 5, 2, 1, 0.1} {
			name = qualify.ResistanceName(false, after, charging)
			cells = f.Cells(name)
			for _, c := range cells {
				if !c.NoValue {
					return name, cells
				}
			}
		}
	}
	return "", nil
}

func resistanceNote(name string, cells []qualify.Figure, limit *float64) string {
	note := words(name) + "; bars: ± (95 %); band: where siblings lie (Tukey's inner fences)."
	if limit != nil {
		note += fmt.Sprintf(" Limit: %.4g mΩ.", *limit)
	}
	for _, c := range cells {
		if c.Status != qualify.OK {
			return note + " Open markers are unproven."
		}
	}
	return note
}

func odd(f *qualify.Figures, figure string) map[int]bool {
	out := map[int]bool{}
	for _, o := range f.Odd {
		if strings.HasPrefix(o.Figure, figure) || o.Figure == qualify.JointExcess {
			out[o.Cell] = true
		}
	}
	return out
}

func (s *Sight) restNote(before, after int) string {
	tell := func(k int, mark string) string {
		if k < 0 {
			return "no rest " + mark
		}
		return fmt.Sprintf("%s: end of %s (%.0f min)", mark, s.Steps[k].Label, s.Steps[k].Seconds/60)
	}
	return "Against the mean of all cells. Open circles, " + tell(before, "before") + "; diamonds, " + tell(after, "after") + "."
}

// words makes a figure's name readable.
func words(name string) string { return strings.ReplaceAll(name, "_", " ") }
