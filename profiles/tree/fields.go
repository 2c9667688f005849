package tree

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Fields reads the keys of one map. Asking for a key makes it known; Finish
// reports the ones nobody asked for. A failed read is reported and returns the
// zero value, so that reading goes on and finds the next mistake too.
type Fields struct {
	Report *Report
	Node   *Node
	// What is how messages call this map: "charge", "module".
	What string
	// At tells where each key's value stands; the map itself under "".
	At    map[string]Pos
	known []string
}

// Fields opens a map; what is how messages call it. A node that is no map is
// reported, and then has no keys.
func (r *Report) Fields(n *Node, what string) *Fields {
	f := &Fields{Report: r, Node: n, What: what, At: map[string]Pos{}}
	if n == nil {
		f.Node = &Node{Kind: Bad}
		return f
	}
	f.At[""] = n.At
	if n.Kind != Map {
		if n.Kind != Bad {
			r.Addf(n.At, "write its keys below it, indented by two spaces", "%s is %s", what, n.Kind)
		}
		f.Node = &Node{Kind: Bad, At: n.At}
	}
	return f
}

// Find returns the key's value, or nil.
func (f *Fields) Find(key string) *Node {
	if !slices.Contains(f.known, key) {
		f.known = append(f.known, key)
	}
	for _, e := range f.Node.Keys {
		if e.Key == key {
			f.At[key] = e.Value.At
			return e.Value
		}
	}
	return nil
}

// Has says whether the key is there.
func (f *Fields) Has(key string) bool { return f.Find(key) != nil }

// Need returns the key's value, and reports its absence.
func (f *Fields) Need(key, right string) *Node {
	n := f.Find(key)
	if n == nil && f.Node.Kind == Map {
		f.Report.Addf(f.Node.At, right, "%s lacks %q", f.What, key)
	}
	return n
}

// Finish reports unknown keys.
func (f *Fields) Finish() {
	for _, e := range f.Node.Keys {
		if slices.Contains(f.known, e.Key) {
			continue
		}
		right := "the keys are " + strings.Join(f.known, ", ")
		if near := Nearest(e.Key, f.known); near != "" {
			right = fmt.Sprintf("did you mean %q?", near)
		}
		f.Report.Addf(e.At, right, "%s has no key %q", f.What, e.Key)
	}
}

// Ignore makes every key known: what holds them was refused as a whole.
func (f *Fields) Ignore() {
	for _, e := range f.Node.Keys {
		f.known = append(f.known, e.Key)
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

// Scalar returns the text of a single value.
func (f *Fields) Scalar(key string, n *Node, right string) (string, bool) {
	if n == nil || n.Kind == Bad {
		return "", false
	}
	if n.Kind != Scalar {
		f.Report.Addf(n.At, right, "%s is %s", key, n.Kind)
		return "", false
	}
	return n.Text, true
}

// Text reads a required sentence or name.
func (f *Fields) Text(key, right string) string {
	s, ok := f.Scalar(key, f.Need(key, right), right)
	if ok && strings.TrimSpace(s) == "" {
		f.Report.Addf(f.At[key], right, "%s is empty", key)
	}
	return s
}

// Optional reads a sentence that may be absent.
func (f *Fields) Optional(key string) string {
	s, _ := f.Scalar(key, f.Find(key), "write a sentence")
	return s
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._ -]{0,62}$`)

// Name reads something that becomes an identifier: serial, profile, label.
func (f *Fields) Name(key, like string, required bool) string {
	right := "write a name such as " + like
	n := f.Find(key)
	if required {
		n = f.Need(key, right)
	}
	s, ok := f.Scalar(key, n, right)
	if ok && (!nameForm.MatchString(s) || strings.TrimSpace(s) != s) {
		f.Report.Addf(n.At, "use letters, digits, '-', '_', '.' and single spaces, at most 63, such as "+like, "%s %q is not a name", key, s)
		return ""
	}
	return s
}

// Choice reads one of a few words.
func (f *Fields) Choice(key string, required bool, words ...string) string {
	right := "it is one of " + strings.Join(words, ", ")
	n := f.Find(key)
	if required {
		n = f.Need(key, right)
	}
	s, ok := f.Scalar(key, n, right)
	if !ok || slices.Contains(words, s) {
		return s
	}
	if near := Nearest(s, words); near != "" {
		right = fmt.Sprintf("did you mean %q?", near)
	}
	f.Report.Addf(n.At, right, "%s cannot be %q", key, s)
	return ""
}

// Yes reads yes or no; absent is no.
func (f *Fields) Yes(key string) bool {
	n := f.Find(key)
	s, ok := f.Scalar(key, n, "write yes or no")
	if !ok {
		return false
	}
	switch s {
	case "yes", "true":
		return true
	case "no", "false":
		return false
	}
	f.Report.Addf(n.At, "write yes or no", "%s is %q", key, s)
	return false
}

var countForm = regexp.MustCompile(`^(0|[1-9][0-9]*)$`)

// Count reads a whole number between lo and hi.
func (f *Fields) Count(key string, required bool, lo, hi int64) int64 {
	right := fmt.Sprintf("write a whole number from %d to %d", lo, hi)
	n := f.Find(key)
	if required {
		n = f.Need(key, right)
	}
	return f.CountOf(key, n, lo, hi)
}

// CountOf is Count for a value that was found already.
func (f *Fields) CountOf(key string, n *Node, lo, hi int64) int64 {
	right := fmt.Sprintf("write a whole number from %d to %d", lo, hi)
	s, ok := f.Scalar(key, n, right)
	if !ok {
		return 0
	}
	v, err := strconv.ParseInt(s, 10, 64)
	if err != nil || !countForm.MatchString(s) || v < lo || v > hi {
		f.Report.Addf(n.At, right, "%s is %q", key, s)
		return 0
	}
	return v
}

// Span of allowed values, both included, in base units.
type Span struct{ Lo, Hi int64 }

// Within returns the span from lo to hi.
func Within(lo, hi int64) Span { return Span{Lo: lo, Hi: hi} }

// Quantity reads a quantity; required or absent as 0.
func (f *Fields) Quantity(key string, required bool, d Dimension, in Span) int64 {
	n := f.Find(key)
	if required {
		n = f.Need(key, fmt.Sprintf("add it, such as `%s: %s`", key, example(key, d)))
	}
	return f.QuantityOf(key, n, d, in)
}

// QuantityOf is Quantity for a value that was found already.
func (f *Fields) QuantityOf(key string, n *Node, d Dimension, in Span) int64 {
	s, ok := f.Scalar(key, n, "write a "+string(d)+" such as "+example(key, d))
	if !ok {
		return 0
	}
	return f.QuantityText(key, n.At, s, d, in)
}

// QuantityText is Quantity for a text that stands at a place.
func (f *Fields) QuantityText(key string, at Pos, s string, d Dimension, in Span) int64 {
	v, err := ParseQuantity(s, d)
	if err != nil {
		f.Report.Add(at, key+": "+Plain(err), "write a "+string(d)+" such as "+example(key, d))
		return 0
	}
	if v < in.Lo || v > in.Hi {
		f.Report.Addf(at, fmt.Sprintf("between %s and %s", FormatQuantity(in.Lo, d), FormatQuantity(in.Hi, d)),
			"%s of %s cannot be", key, s)
		return 0
	}
	return v
}

// Plain drops the sentinel's words, which the message has said already.
func Plain(err error) string {
	s := err.Error()
	for _, e := range []error{ErrNotQuantity, ErrUnit, ErrRange} {
		if errors.Is(err, e) {
			s = strings.TrimSuffix(s, ": "+e.Error())
		}
	}
	return s
}

// Between reads a range, "0 degC to 45 degC".
func (f *Fields) Between(key string, required bool, d Dimension, in Span) (lo, hi int64) {
	right := "write a range such as 20 % to 40 %"
	if d == DimTemperature {
		right = "write a range such as 0 degC to 45 degC"
	}
	n := f.Find(key)
	if required {
		n = f.Need(key, right)
	}
	s, ok := f.Scalar(key, n, right)
	if !ok {
		return 0, 0
	}
	a, b, found := strings.Cut(s, " to ")
	if !found {
		f.Report.Addf(n.At, right, "%s: %q is not a range", key, s)
		return 0, 0
	}
	before := len(f.Report.Problems)
	lo, hi = f.QuantityText(key, n.At, a, d, in), f.QuantityText(key, n.At, b, d, in)
	if len(f.Report.Problems) == before && lo >= hi {
		f.Report.Addf(n.At, right, "%s: %q does not rise", key, s)
		return 0, 0
	}
	return lo, hi
}

// List returns the items of a list.
func (f *Fields) List(key string, n *Node, right string) []*Node {
	if n == nil || n.Kind == Bad {
		return nil
	}
	if n.Kind != List {
		f.Report.Addf(n.At, right, "%s is %s", key, n.Kind)
		return nil
	}
	if len(n.Items) == 0 {
		f.Report.Addf(n.At, right, "%s is empty", key)
	}
	return n.Items
}

// Nearest returns the word that s was probably meant to be, or "".
func Nearest(s string, words []string) string {
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

// Pair is one line of a table: both sides are quantities.
type Pair struct{ Key, Value int64 }

// Pairs reads a table of `quantity: quantity` lines with rising keys.
func (f *Fields) Pairs(key string, n *Node, dk Dimension, ink Span, dv Dimension, inv Span) []Pair {
	if n == nil || n.Kind == Bad {
		return nil
	}
	right := fmt.Sprintf("write lines such as `%s: %s`", examples[dk], examples[dv])
	if n.Kind != Map || len(n.Keys) == 0 {
		f.Report.Addf(n.At, right, "%s is not a table", key)
		return nil
	}
	var out []Pair
	for _, e := range n.Keys {
		before := len(f.Report.Problems)
		p := Pair{f.QuantityText(key, e.At, e.Key, dk, ink), f.QuantityOf(key, e.Value, dv, inv)}
		if len(f.Report.Problems) > before || e.Value.Kind == Bad {
			continue
		}
		if len(out) > 0 && p.Key <= out[len(out)-1].Key {
			f.Report.Addf(e.At, "order the lines by rising "+string(dk), "%s: %s does not rise above the line before", key, e.Key)
		}
		out = append(out, p)
	}
	return out
}
