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
	Plan    string   `json:"plan"` // digest
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
	// Same says that the run ended as without the fault, and no trip came of it.
	Same bool `json:"no_difference,omitempty"`
}

// intoState is how long after a state's entry a fault strikes: what was commanded
// there is then under way.
const intoState = 30 * drivers.Millisecond

// Matrix strikes each fault of the catalogue, in every place that a variant
// names, and what a store, a process and a person may do wrong, at the entry of
// each state. Up to a state's instant every run of its column is the same one, so
// that nothing needs to be copied. It ends early where the context does.
func (t *Twin) Matrix(ctx context.Context, told func(done, of int)) (*Matrix, error) {
	scenes, err := t.scenes()
	if err != nil {
		return nil, err
	}
	m := &Matrix{Module: t.Module.Serial, Profile: t.Profile.Name, Bench: t.Bench.Name, Seed: t.config.Seed, Plan: t.digest}
	for _, s := range scenes {
		m.States = append(m.States, s.Name)
	}
	all := slices.Concat(t.blows(), others())
	done, of := 0, len(all)*len(scenes)
	told(done, of)
	for _, b := range all {
		row := Row{Fault: b.name, Class: b.class, Hardware: b.hardware}
		for i := range scenes {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			c, err := t.strike(&b, &scenes[i])
			if err != nil {
				return nil, fmt.Errorf("%s in %s: %w", b.name, scenes[i].Name, err)
			}
			row.Cells = append(row.Cells, c)
			done++
			told(done, of)
		}
		m.Rows = append(m.Rows, row)
	}
	return m, nil
}

// blows are the catalogue's faults with their variants, at the twin's size.
func (t *Twin) blows() (list []blow) {
	for _, info := range virtual.Faults() {
		if !info.Fits(&t.Plan.Bench) {
			continue
		}
		for _, f := range variants(info) {
			f = t.sized(f)
			b := blow{name: label(f), class: string(info.Class), fault: true, strike: func(c *Campaign, at drivers.Span) {
				g := f
				g.When = virtual.Trigger{On: virtual.AfterStart, Span: at}
				c.Config.Faults = append(slices.Clone(c.Config.Faults), g)
			}}
			for _, h := range virtual.Beyond(f) {
				if text := h.Out + " by " + h.By; !slices.Contains(b.hardware, text) {
					b.hardware = append(b.hardware, text)
				}
			}
			list = append(list, b)
		}
	}
	return list
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

// strike goes through a scene with one blow at its instant.
func (t *Twin) strike(b *blow, s *scene) (Cell, error) {
	c := t.staged(s)
	at := s.At + intoState
	b.strike(c, at)
	r, err := t.Run(c, nil)
	if err != nil {
		return Cell{}, err
	}
	cell := Cell{Outcome: r.Outcome, Began: true, Same: r.Outcome == s.base}
	began := began.Add(at)
	if b.fault {
		f := r.Faults[len(r.Faults)-1]
		cell.Began, began = f.Began, f.Begin
	}
	for i, trip := range r.Trips {
		if trip.At < began || len(s.faults) > 0 && trip.Cause == "emergency_stop" {
			continue // the scene is made of it
		}
		cell.Cause, cell.After, cell.Same = trip.Cause, trip.At.Sub(began), false
		if i < len(r.TripToZero) {
			cell.ToZero = r.TripToZero[i]
		}
		break
	}
	if r.Outcome == machine.OutcomeRefused {
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
	fmt.Fprintf(w, "# Single faults in every state\n\nModule %s, profile %s, bench %s, seed %d, plan %.12s. Regenerate with\n\n    rigwarden rehearse --module %s --profile %s --bench %s --matrix\n\n",
		m.Module, m.Profile, m.Bench, m.Seed, m.Plan, m.Module, m.Profile, m.Bench)
	fmt.Fprint(w, "Each entry is what a single fault came to that struck just after the entry of the state: how the\n"+
		"run ended, by which trip, how long after the fault, and how long from there to no true current.\n"+
		"**OUT** marks a true cell that left the maker's limits; the last column names the hardware that\n"+
		"must bound it, which `bench check` demands before an unattended run (INV-12). There step_charge is\n"+
		"what flows past a step's bounds before a fuse melts, inrush what flows at the touch of a contact\n"+
		"whose link has sagged since it was told to close (profiles/PROTECTIONS.md). A dash: the fault\n"+
		"struck and the run ended as without it. Every run goes on until the bench was put right, the latch\n"+
		"acknowledged, and another run has worked; up to the state's instant all runs of a column are the\n"+
		"same one. Pausing, paused, resuming and stopping are brought about by a person in the first charge,\n"+
		"tripping and latched by the emergency stop, asking by a profile with a question in it. A bench that\n"+
		"asks is off and open; what is wrong then shows when it is armed again, which a minute's patience ends.\n\n")
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
	case c.Same:
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
