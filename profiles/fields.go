package profiles

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// fields reads the keys of one map. Asking for a key makes it known; finish
// reports the ones nobody asked for. A failed read is reported and returns the
// zero value, so that reading goes on and finds the next mistake too.
type fields struct {
	r     *report
	n     *node
	what  string // "charge", "module": how messages call this map
	known []string
	at    map[string]Pos // where each key's value stands
}

func (r *report) fields(n *node, what string) *fields {
	f := &fields{r: r, n: n, what: what, at: map[string]Pos{}}
	if n == nil {
		f.n = &node{kind: badNode}
		return f
	}
	f.at[""] = n.at
	if n.kind != mapNode {
		if n.kind != badNode {
			r.addf(n.at, "write its keys below it, indented by two spaces", "%s is %s", what, n.kind)
		}
		f.n = &node{kind: badNode, at: n.at}
	}
	return f
}

// find returns the key's value, or nil.
func (f *fields) find(key string) *node {
	if !slices.Contains(f.known, key) {
		f.known = append(f.known, key)
	}
	for _, e := range f.n.keys {
		if e.key == key {
			f.at[key] = e.value.at
			return e.value
		}
	}
	return nil
}

func (f *fields) has(key string) bool { return f.find(key) != nil }

// need returns the key's value, and reports its absence.
func (f *fields) need(key, right string) *node {
	n := f.find(key)
	if n == nil && f.n.kind == mapNode {
		f.r.addf(f.n.at, right, "%s lacks %q", f.what, key)
	}
	return n
}

// finish reports unknown keys.
func (f *fields) finish() {
	for _, e := range f.n.keys {
		if slices.Contains(f.known, e.key) {
			continue
		}
		right := "the keys are " + strings.Join(f.known, ", ")
		if near := nearest(e.key, f.known); near != "" {
			right = fmt.Sprintf("did you mean %q?", near)
		}
		f.r.addf(e.at, right, "%s has no key %q", f.what, e.key)
	}
}

// ignore makes every key known: what holds them was refused as a whole.
func (f *fields) ignore() {
	for _, e := range f.n.keys {
		f.known = append(f.known, e.key)
	}
}

// typical shows a value of the right size where a dimension's example would
// mislead.
var typical = map[string]string{
	"lease": "1 s", "halt_path": "50 ms", "period": "100 ms", "skew": "5 ms", "window": "10 ms", "delay": "60 ms",
	"silence": "2 s", "heartbeat": "1 s", "switch_time": "30 ms", "within": "100 ms", "timeout": "5 s",
}

func example(key string, d Dimension) string {
	if s, ok := typical[key]; ok {
		return s
	}
	if key == "step" || key == "accuracy" {
		return map[Dimension]string{DimVoltage: "1 mV", DimCurrent: "20 mA", DimDifference: "0.5 K"}[d]
	}
	return examples[d]
}

// scalar returns the text of a single value.
func (f *fields) scalar(key string, n *node, right string) (string, bool) {
	if n == nil || n.kind == badNode {
		return "", false
	}
	if n.kind != scalarNode {
		f.r.addf(n.at, right, "%s is %s", key, n.kind)
		return "", false
	}
	return n.text, true
}

// text reads a required sentence or name.
func (f *fields) text(key, right string) string {
	s, ok := f.scalar(key, f.need(key, right), right)
	if ok && strings.TrimSpace(s) == "" {
		f.r.addf(f.at[key], right, "%s is empty", key)
	}
	return s
}

// optional reads a sentence that may be absent.
func (f *fields) optional(key string) string {
	s, _ := f.scalar(key, f.find(key), "write a sentence")
	return s
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._ -]{0,62}$`)

// name reads something that becomes an identifier: serial, profile, label.
func (f *fields) name(key, like string, required bool) string {
	right := "write a name such as " + like
	n := f.find(key)
	if required {
		n = f.need(key, right)
	}
	s, ok := f.scalar(key, n, right)
	if ok && (!nameForm.MatchString(s) || strings.TrimSpace(s) != s) {
		f.r.addf(n.at, "use letters, digits, '-', '_', '.' and single spaces, at most 63, such as "+like, "%s %q is not a name", key, s)
		return ""
	}
	return s
}

// choice reads one of a few words.
func (f *fields) choice(key string, required bool, words ...string) string {
	right := "it is one of " + strings.Join(words, ", ")
	n := f.find(key)
	if required {
		n = f.need(key, right)
	}
	s, ok := f.scalar(key, n, right)
	if !ok || slices.Contains(words, s) {
		return s
	}
	if near := nearest(s, words); near != "" {
		right = fmt.Sprintf("did you mean %q?", near)
	}
	f.r.addf(n.at, right, "%s cannot be %q", key, s)
	return ""
}

// yes reads yes or no; absent is no.
func (f *fields) yes(key string) bool {
	n := f.find(key)
	s, ok := f.scalar(key, n, "write yes or no")
	if !ok {
		return false
	}
	switch s {
	case "yes", "true":
		return true
	case "no", "false":
		return false
	}
	f.r.addf(n.at, "write yes or no", "%s is %q", key, s)
	return false
}

var countForm = regexp.MustCompile(`^(0|[1-9][0-9]*)$`)

// count reads a whole number between lo and hi.
func (f *fields) count(key string, required bool, lo, hi int64) int64 {
	right := fmt.Sprintf("write a whole number from %d to %d", lo, hi)
	n := f.find(key)
	if required {
		n = f.need(key, right)
	}
	return f.countOf(key, n, lo, hi)
}

func (f *fields) countOf(key string, n *node, lo, hi int64) int64 {
	right := fmt.Sprintf("write a whole number from %d to %d", lo, hi)
	s, ok := f.scalar(key, n, right)
	if !ok {
		return 0
	}
	v, err := strconv.ParseInt(s, 10, 64)
	if err != nil || !countForm.MatchString(s) || v < lo || v > hi {
		f.r.addf(n.at, right, "%s is %q", key, s)
		return 0
	}
	return v
}

// span of allowed values, both included, in base units.
type span struct{ lo, hi int64 }

// quantity reads a quantity; required or absent as 0.
func (f *fields) quantity(key string, required bool, d Dimension, in span) int64 {
	n := f.find(key)
	if required {
		n = f.need(key, fmt.Sprintf("add it, such as `%s: %s`", key, example(key, d)))
	}
	return f.quantityOf(key, n, d, in)
}

func (f *fields) quantityOf(key string, n *node, d Dimension, in span) int64 {
	s, ok := f.scalar(key, n, "write a "+string(d)+" such as "+example(key, d))
	if !ok {
		return 0
	}
	return f.quantityText(key, n.at, s, d, in)
}

func (f *fields) quantityText(key string, at Pos, s string, d Dimension, in span) int64 {
	v, err := ParseQuantity(s, d)
	if err != nil {
		f.r.add(at, key+": "+plain(err), "write a "+string(d)+" such as "+example(key, d))
		return 0
	}
	if v < in.lo || v > in.hi {
		f.r.addf(at, fmt.Sprintf("between %s and %s", FormatQuantity(in.lo, d), FormatQuantity(in.hi, d)),
			"%s of %s cannot be", key, s)
		return 0
	}
	return v
}

// plain drops the sentinel's words, which the message has said already.
func plain(err error) string {
	s := err.Error()
	for _, e := range []error{ErrNotQuantity, ErrUnit, ErrRange} {
		if errors.Is(err, e) {
			s = strings.TrimSuffix(s, ": "+e.Error())
		}
	}
	return s
}

// between reads a range, "0 degC to 45 degC".
func (f *fields) between(key string, required bool, d Dimension, in span) (lo, hi int64) {
	right := "write a range such as 20 % to 40 %"
	if d == DimTemperature {
		right = "write a range such as 0 degC to 45 degC"
	}
	n := f.find(key)
	if required {
		n = f.need(key, right)
	}
	s, ok := f.scalar(key, n, right)
	if !ok {
		return 0, 0
	}
	a, b, found := strings.Cut(s, " to ")
	if !found {
		f.r.addf(n.at, right, "%s: %q is not a range", key, s)
		return 0, 0
	}
	before := len(f.r.problems)
	lo, hi = f.quantityText(key, n.at, a, d, in), f.quantityText(key, n.at, b, d, in)
	if len(f.r.problems) == before && lo >= hi {
		f.r.addf(n.at, right, "%s: %q does not rise", key, s)
		return 0, 0
	}
	return lo, hi
}

// list returns the items of a list.
func (f *fields) list(key string, n *node, right string) []*node {
	if n == nil || n.kind == badNode {
		return nil
	}
	if n.kind != listNode {
		f.r.addf(n.at, right, "%s is %s", key, n.kind)
		return nil
	}
	if len(n.items) == 0 {
		f.r.addf(n.at, right, "%s is empty", key)
	}
	return n.items
}

// nearest returns the word that s was probably meant to be, or "".
func nearest(s string, words []string) string {
	// One slip in a short word, two in a word of four letters, more in longer
	// ones: a swap of two letters counts as two.
	best, least := "", 1+max(min(len(s)/2, 2), len(s)/3)
	for _, w := range words {
		if d := distance(strings.ToLower(s), w); d < least {
			best, least = w, d
		}
	}
	return best
}

// distance is the number of letters to insert, drop or change (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// pair is one line of a table: both sides are quantities.
type pair struct{ key, value int64 }

// pairs reads a table of `quantity: quantity` lines with rising keys.
func (f *fields) pairs(key string, n *node, dk Dimension, ink span, dv Dimension, inv span) []pair {
	if n == nil || n.kind == badNode {
		return nil
	}
	right := fmt.Sprintf("write lines such as `%s: %s`", examples[dk], examples[dv])
	if n.kind != mapNode || len(n.keys) == 0 {
		f.r.addf(n.at, right, "%s is not a table", key)
		return nil
	}
	var out []pair
	for _, e := range n.keys {
		before := len(f.r.problems)
		p := pair{f.quantityText(key, e.at, e.key, dk, ink), f.quantityOf(key, e.value, dv, inv)}
		if len(f.r.problems) > before || e.value.kind == badNode {
			continue
		}
		if len(out) > 0 && p.key <= out[len(out)-1].key {
			f.r.addf(e.at, "order the lines by rising "+string(dk), "%s: %s does not rise above the line before", key, e.key)
		}
		out = append(out, p)
	}
	return out
}
