package record

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// Difference is one thing in which a stored record and what follows from the
// data now differ.
type Difference struct {
	// Where names it: "capacity", "resistance_10s of cell 9", "verdict",
	// "step 12 (discharge, pass 2)"; Field is the part of it.
	Where string `json:"where"`
	Field string `json:"field,omitempty"`
	// Stored and Now are what stands there; empty where there is nothing.
	Stored string `json:"stored"`
	Now    string `json:"now"`
	// By is Now less Stored where both are numbers.
	By *float64 `json:"by,omitempty"`
	// Unit is the figure's.
	Unit string `json:"unit,omitempty"`
}

// String tells the difference in one line.
func (d Difference) String() string {
	s := d.Where
	if d.Field != "" && d.Field != "value" {
		s += ", " + d.Field
	}
	unit := ""
	if d.Unit != "" && (d.Field == "value" || d.Field == "U") {
		unit = " " + d.Unit
	}
	switch {
	case d.Stored == "":
		return s + ": not in the record; from the data " + d.Now + unit
	case d.Now == "":
		return s + ": stored " + d.Stored + unit + "; does not follow from the data"
	}
	s += ": stored " + d.Stored + unit + ", from the data " + d.Now + unit
	if d.By != nil {
		s += fmt.Sprintf(", differs by %+.3g%s", *d.By, unit)
	}
	return s
}

// rounding is the relative difference that is taken for another processor's
// rounding and not told: far below anything a figure is stated to.
const rounding = 1e-9

// Differences compares a stored record with what was computed from the data
// now. None means that the record follows from its data.
func Differences(stored, now *qualify.Figures, storedVerdict, nowVerdict *qualify.Verdict) ([]Difference, error) {
	a, err := parts(stored, storedVerdict)
	if err != nil {
		return nil, err
	}
	b, err := parts(now, nowVerdict)
	if err != nil {
		return nil, err
	}
	var out []Difference
	for _, name := range order(a, b) {
		out = append(out, compare(name, a.part[name], b.part[name])...)
	}
	return out, nil
}

// document is a record taken apart: named parts with their fields, flat.
type document struct {
	names []string
	part  map[string]map[string]any
}

func (d *document) add(name string, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	var tree any
	if err := json.Unmarshal(text, &tree); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	fields := map[string]any{}
	flatten(fields, "", tree)
	for d.part[name] != nil { // figures of one name are told apart by their place
		name += " (again)"
	}
	d.names = append(d.names, name)
	d.part[name] = fields
	return nil
}

func flatten(out map[string]any, at string, v any) {
	join := func(key string) string {
		if at == "" {
			return key
		}
		return at + "." + key
	}
	switch v := v.(type) {
	case map[string]any:
		for key, item := range v {
			flatten(out, join(key), item)
		}
	case []any:
		for i, item := range v {
			flatten(out, join(strconv.Itoa(i+1)), item)
		}
	default:
		out[at] = v
	}
}

func parts(f *qualify.Figures, v *qualify.Verdict) (*document, error) {
	d := &document{part: map[string]map[string]any{}}
	if v != nil {
		whole := *v
		whole.Judgements = nil
		if err := d.add("verdict", whole); err != nil {
			return nil, err
		}
		for _, j := range v.Judgements {
			if err := d.add("verdict on "+j.Figure, j); err != nil {
				return nil, err
			}
		}
	}
	if f == nil {
		return d, nil
	}
	for _, g := range f.Figures {
		if err := d.add(figureName(g.Name, g.Cell), g); err != nil {
			return nil, err
		}
	}
	for i, s := range f.Steps {
		if err := d.add(fmt.Sprintf("step %d (%s, pass %d)", i+1, s.Label, s.Pass), s); err != nil {
			return nil, err
		}
	}
	rest := *f
	rest.Figures, rest.Steps = nil, nil
	return d, d.add("figures", rest)
}

func figureName(name string, cell int) string {
	if cell == 0 {
		return name
	}
	return fmt.Sprintf("%s of cell %d", name, cell)
}

// order is the stored document's order, then what is new.
func order(a, b *document) []string {
	out := slices.Clone(a.names)
	for _, n := range b.names {
		if a.part[n] == nil {
			out = append(out, n)
		}
	}
	return out
}

func compare(name string, a, b map[string]any) []Difference {
	switch {
	case a == nil:
		return []Difference{{Where: name, Field: "value", Now: summary(b), Unit: unitIn(b)}}
	case b == nil:
		return []Difference{{Where: name, Field: "value", Stored: summary(a), Unit: unitIn(a)}}
	}
	keys := map[string]bool{}
	for _, m := range []map[string]any{a, b} {
		for k := range m {
			keys[k] = true
		}
	}
	var out []Difference
	for _, k := range sortedFields(keys) {
		x, y := a[k], b[k]
		if same(x, y) {
			continue
		}
		d := Difference{Where: name, Field: k, Stored: text(x), Now: text(y), Unit: unitIn(b)}
		if p, ok := x.(float64); ok {
			if q, ok := y.(float64); ok {
				by := q - p
				d.By = &by
			}
		}
		out = append(out, d)
	}
	return out
}

// sortedFields puts value and uncertainty first, then the others by name.
func sortedFields(keys map[string]bool) []string {
	first := []string{"decision", "value", "U", "status"}
	rank := func(k string) int {
		if i := slices.Index(first, k); i >= 0 {
			return i
		}
		return len(first)
	}
	return slices.SortedFunc(maps.Keys(keys), func(x, y string) int {
		if d := rank(x) - rank(y); d != 0 {
			return d
		}
		return strings.Compare(x, y)
	})
}

func same(x, y any) bool {
	p, ok1 := x.(float64)
	q, ok2 := y.(float64)
	if ok1 && ok2 {
		return p == q || math.Abs(p-q) <= rounding*max(math.Abs(p), math.Abs(q))
	}
	return x == y
}

func text(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case float64:
		return strconv.FormatFloat(v, 'g', 10, 64)
	}
	return fmt.Sprint(v)
}

// summary is the one value that tells a part best.
func summary(fields map[string]any) string {
	for _, k := range []string{"value", "decision", "charge_Ah"} {
		if v, ok := fields[k]; ok {
			return text(v)
		}
	}
	return "something"
}

func unitIn(fields map[string]any) string {
	u, _ := fields["unit"].(string)
	return u
}
