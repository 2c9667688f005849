package scpi

import (
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// mostStates bounds the questions of one reading.
const mostStates = 16

func (p parser) states(f *tree.Fields) {
	n := f.Find("states")
	if n == nil {
		return
	}
	items := f.List("states", n, "write a list of questions, each with what its reply means")
	if len(items) > mostStates {
		p.Addf(n.At, "join what one register holds", "states has %d questions, more than %d", len(items), mostStates)
		return
	}
	for _, item := range items {
		p.state(p.Fields(item, "state"))
	}
}

func (p parser) state(f *tree.Fields) {
	if f.Node.Kind != tree.Map {
		return
	}
	s := state{ask: p.question(f, "ask", "")}
	given := 0
	for i, key := range []string{"when_0", "when_1"} {
		if f.Has(key) {
			s.boolean = true
			s.when[i] = p.word(key, f.Find(key))
		}
	}
	if s.boolean {
		given++
	}
	if n := f.Find("bits"); n != nil {
		given++
		s.bits = p.bits(n)
	}
	if n := f.Find("words"); n != nil {
		given++
		s.words = p.words(n)
	}
	if given != 1 {
		p.Addf(f.Node.At, "write when_1 and when_0, or bits, or words", "the state says in %d ways what its reply means", given)
	}
	f.Finish()
	p.d.states = append(p.d.states, s)
}

// word reads what a reply means.
func (p parser) word(key string, n *tree.Node) flags {
	var words []string
	for w, f := range stateWords {
		if p.d.role != roleMeter || f&^(flagFault|flagRestarted) == 0 {
			words = append(words, w)
		}
	}
	slices.Sort(words)
	right := "it is one of " + strings.Join(words, ", ")
	if n.Kind != tree.Scalar {
		if n.Kind != tree.Bad {
			p.Addf(n.At, right, "%s is %s", key, n.Kind)
		}
		return 0
	}
	if !slices.Contains(words, n.Text) {
		if near := tree.Nearest(n.Text, words); near != "" {
			right = "did you mean \"" + near + "\"?"
		}
		p.Addf(n.At, right, "%s cannot mean %q", key, n.Text)
	}
	return stateWords[n.Text]
}

// table reads a map of what replies mean.
func (p parser) table(key string, n *tree.Node, entry func(tree.Entry)) {
	if n.Kind != tree.Map || len(n.Keys) == 0 {
		if n.Kind != tree.Bad {
			p.Addf(n.At, "write lines such as `4: fault`", "%s is not a table", key)
		}
		return
	}
	for _, e := range n.Keys {
		entry(e)
	}
}

func (p parser) bits(n *tree.Node) map[uint]flags {
	out := map[uint]flags{}
	p.table("bits", n, func(e tree.Entry) {
		bit, err := strconv.ParseUint(e.Key, 10, 8)
		if err != nil || bit > 31 || len(e.Key) > 1 && e.Key[0] == '0' {
			p.Addf(e.At, "bits count from 0 to 31, 0 the lowest", "there is no bit %q", e.Key)
			return
		}
		out[uint(bit)] = p.word("bit "+e.Key, e.Value)
	})
	return out
}

func (p parser) words(n *tree.Node) map[string]flags {
	out := map[string]flags{}
	p.table("words", n, func(e tree.Entry) {
		key := strings.ToUpper(strings.TrimSpace(e.Key))
		if _, twice := out[key]; twice {
			p.Addf(e.At, "upper and lower case are the same here", "word %q stands twice", e.Key)
		}
		out[key] = p.word("word "+e.Key, e.Value)
	})
	return out
}

// whole checks what no section can see alone: an instrument whose state does
// not tell that it is on, or why it went off, cannot be guarded.
func (p parser) whole(f *tree.Fields) {
	d := p.d
	if d.role != roleSupply && d.role != roleLoad {
		return
	}
	at := f.At[""]
	if n := f.Find("states"); n != nil {
		if n.Kind == tree.Bad {
			return
		}
		at = n.At
	}
	all := d.meaning()
	if all&flagOn == 0 {
		p.Add(at, "no state says that it is on", "add a question whose reply can mean `on`, such as OUTP?")
	}
	if (d.overVoltage != nil || d.overCurrent != nil) && all&flagTripped == 0 {
		p.Add(at, "no state says that one of its own limits tripped", "add a question whose reply can mean `tripped`")
	}
	if d.silence != nil && all&flagTimeout == 0 {
		p.Add(at, "no state says that its silence limit ran out", "add a question whose reply can mean `timeout`")
	}
	on := slices.IndexFunc(d.states, func(s state) bool { return s.boolean && s.when[0]&flagOn != 0 && s.when[1]&flagOn != 0 })
	if on >= 0 {
		p.Add(at, "a state means `on` whatever the reply is", "give each reply its own meaning")
	}
}
