package rehearse

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Matrix is every single fault of the catalogue in each state of the machine.
type Matrix struct {
	Module  string   `json:"module"`
	Profile string   `json:"profile"`
	Bench   string   `json:"bench"`
	Seed    uint64   `json:"seed"`
	States  []string `json:"states"`
	Rows    []Row    `json:"rows"`
}

// Row is one fault, in one variant.
type Row struct {
	Fault    string   `json:"fault"`
	Class    string   `json:"class"`
	Hardware []string `json:"hardware,omitempty"` // what must bound it where software cannot
	Cells    []Cell   `json:"cells"`              // one for each state
}

// Cell is one fault in one state.
type Cell struct {
	Began   bool            `json:"began"`
	Outcome machine.Outcome `json:"outcome"`
	Cause   string          `json:"cause,omitempty"`
	// After is from the fault's beginning to the trip, ToZero from there to no
	// true current.
	After  drivers.Span `json:"after_us,omitempty"`
	ToZero drivers.Span `json:"to_zero_us,omitempty"`
	// Out says how a true cell left the maker's limits; the protection named
	// in the row must bound that.
	Out        []string `json:"out,omitempty"`
	Violations []string `json:"violations,omitempty"`
}

// intoState is how long after a state's entry a fault strikes: what was commanded
// there is then under way.
const intoState = 30 * drivers.Millisecond

// Matrix strikes each fault of the catalogue, in every place that a variant
// names, at the entry of each state. A run without faults gives each state's
// instant; up to there every run of the matrix is the same one, so that nothing
// needs to be copied. It ends early where the context does.
func (t *Twin) Matrix(ctx context.Context) (*Matrix, error) {
	m := &Matrix{Module: t.Module.Serial, Profile: t.Profile.Name, Bench: t.Bench.Name, Seed: t.config.Seed}
	for _, s := range t.Healthy.States {
		m.States = append(m.States, s.Name)
	}
	for _, info := range virtual.Faults() {
		if !info.Fits(&t.Plan.Bench) {
			continue
		}
		for _, f := range variants(info) {
			row := Row{Fault: label(f), Class: string(info.Class)}
			for _, h := range virtual.Beyond(f) {
				if text := h.Out + " by " + h.By; !slices.Contains(row.Hardware, text) {
					row.Hardware = append(row.Hardware, text)
				}
			}
			for _, s := range t.Healthy.States {
				if ctx.Err() != nil {
					return nil, ctx.Err()
				}
				c, err := t.strike(f, s)
				if err != nil {
					return nil, fmt.Errorf("%s in %s: %w", f.Kind, s.Name, err)
				}
				row.Cells = append(row.Cells, c)
			}
			m.Rows = append(m.Rows, row)
		}
	}
	return m, nil
}

// variants is a kind's default, at each device and contactor that it may be
// about and in both directions.
func variants(info virtual.FaultInfo) []virtual.Fault {
	list := []virtual.Fault{info.Default}
	each := func(change func(virtual.Fault) []virtual.Fault) {
		var more []virtual.Fault
		for _, f := range list {
			more = append(more, change(f)...)
		}
		list = more
	}
	if slices.Contains(info.Params, "device") {
		each(func(f virtual.Fault) (out []virtual.Fault) {
			for _, d := range info.Devices {
				f.Device = d
				out = append(out, f)
			}
			return out
		})
	}
	if slices.Contains(info.Params, "contactor") {
		each(func(f virtual.Fault) (out []virtual.Fault) {
			for _, c := range []drivers.Contactors{drivers.BoxNegative, drivers.BoxPrecharge, drivers.BoxPositive} {
				f.Contactor = c
				out = append(out, f)
			}
			return out
		})
	}
	for _, r := range info.Ranges {
		if !r.Signed {
			continue
		}
		each(func(f virtual.Fault) []virtual.Fault {
			v, ok := f.Value(r.Key)
			if !ok || v == 0 {
				return []virtual.Fault{f}
			}
			if g, ok := f.With(r.Key, -v); ok {
				return []virtual.Fault{f, g}
			}
			return []virtual.Fault{f}
		})
	}
	return list
}

// label is a fault's text without its moment and places left open.
func label(f virtual.Fault) string {
	words := strings.Fields(f.String())
	words = slices.DeleteFunc(words, func(w string) bool {
		return strings.HasPrefix(w, string(f.When.On)+"=") || strings.HasSuffix(w, "=any")
	})
	return strings.Join(words, " ")
}

// strike runs the twin with one fault at a state's entry.
func (t *Twin) strike(f virtual.Fault, s State) (Cell, error) {
	f.When = virtual.Trigger{On: virtual.AfterStart, Span: s.At + intoState}
	c := t.Plain(t.config.Seed)
	c.Config.Faults = []virtual.Fault{t.sized(f)}
	r, err := t.Run(c, nil)
	if err != nil {
		return Cell{}, err
	}
	cell := Cell{Outcome: r.Outcome, Began: r.Faults[0].Began}
	if len(r.Trips) > 0 {
		cell.Cause = r.Trips[0].Cause
		cell.After = r.Trips[0].At.Sub(r.Faults[0].Begin)
		if len(r.TripToZero) > 0 {
			cell.ToZero = r.TripToZero[0]
		}
	} else if r.Outcome == machine.OutcomeRefused {
		cell.Cause = "refused"
	}
	for _, e := range r.Worst {
		cell.Out = append(cell.Out, e.What)
	}
	for _, v := range r.Violations {
		cell.Violations = append(cell.Violations, v.String())
	}
	return cell, nil
}

// sized brings a default, which is for an article of 40 Ah, to the article at
// hand where the catalogue counts per ampere of its rated current.
func (t *Twin) sized(f virtual.Fault) virtual.Fault {
	info, _ := virtual.FaultOf(f.Kind)
	for _, r := range info.Ranges {
		v, ok := f.Value(r.Key)
		if !ok || r.Per != virtual.PerAmpere {
			continue
		}
		part := float64(t.ratedFor(info)) / float64(40*drivers.AmpereHour)
		if g, ok := f.With(r.Key, int64(float64(v)*part)); ok {
			f = g
		}
	}
	return f
}

// Held says that no single fault took a true cell out of its limits but by what
// the named hardware must bound (INV-12).
func (m *Matrix) Held() bool {
	for _, r := range m.Rows {
		for _, c := range r.Cells {
			if len(c.Violations) > 0 {
				return false
			}
		}
	}
	return true
}

// Write prints the matrix as a Markdown table.
func (m *Matrix) Write(w io.Writer) {
	fmt.Fprintf(w, "Module %s, profile %s, bench %s, seed %d. Regenerate with\n\n    rigwarden rehearse --module %s --profile %s --bench %s --matrix\n\n",
		m.Module, m.Profile, m.Bench, m.Seed, m.Module, m.Profile, m.Bench)
	fmt.Fprint(w, "Each entry is what a single fault came to that struck at the entry of the state: how the run\n"+
		"ended, by which trip, how long after the fault, and how long from there to no true current.\n"+
		"**OUT** marks a true cell that left the maker's limits; the last column names the hardware that\n"+
		"must bound it. A dash: the fault struck and made no difference to this run.\n\n")
	fmt.Fprintf(w, "| fault | %s | hardware |\n|---|%s---|\n", strings.Join(m.States, " | "), strings.Repeat("---|", len(m.States)))
	for _, r := range m.Rows {
		fmt.Fprintf(w, "| %s |", r.Fault)
		for _, c := range r.Cells {
			fmt.Fprintf(w, " %s |", c)
		}
		fmt.Fprintf(w, " %s |\n", strings.Join(r.Hardware, ", "))
	}
}

func (c Cell) String() string {
	var s string
	switch {
	case !c.Began:
		s = "not begun"
	case c.Cause == "refused":
		s = "refused"
	case c.Cause != "":
		s = fmt.Sprintf("%s %.1f s, %d ms", c.Cause, float64(c.After)/1e6, c.ToZero/drivers.Millisecond)
	case c.Outcome == machine.OutcomeDone:
		s = "-"
	default:
		s = string(c.Outcome)
	}
	if len(c.Out) > 0 {
		s += " **OUT " + strings.Join(c.Out, ", ") + "**"
	}
	if len(c.Violations) > 0 {
		s += " **VIOLATION**"
	}
	return s
}
