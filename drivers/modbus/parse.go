package modbus

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// mapParser holds what a map's points inherit.
type mapParser struct {
	*tree.Report
	m                *Map
	lowWord, lowByte bool
}

// ParseMap reads a register map; name is what messages call the file. The map is
// nil where there are problems.
func ParseMap(name string, src []byte) (*Map, []tree.Problem) {
	p := &mapParser{Report: &tree.Report{}, m: &Map{}}
	root := p.Tree(name, src)
	if root != nil {
		f := p.Fields(root, "the register map")
		p.head(f)
		if p.m.Box {
			p.box(f)
		} else {
			p.list(f)
		}
		p.readIdentity(f)
		f.Finish()
	}
	if len(p.Problems) > 0 {
		return nil, p.Sorted()
	}
	return p.m, nil
}

// Bounds of what a map may say.
const (
	maxGap         = 100
	maxOutstanding = 16
	maxAnswers     = 10 * drivers.Second
	maxPoints      = 512
	defaultGap     = 8
	defaultAnswers = 50 * drivers.Millisecond
)

func (p *mapParser) head(f *tree.Fields) {
	m := p.m
	m.Name = f.Name("map", "common-box", true)
	switch f.Choice("for", true, "box", "points") {
	case "box":
		m.Box = true
	case "":
		f.Ignore() // what the other keys should be is not known
	}
	m.unit, m.gap, m.outstanding, m.answers = 1, defaultGap, 1, defaultAnswers
	if f.Has("unit") {
		m.unit = uint8(f.Count("unit", false, 0, 255))
	}
	if f.Has("gap") {
		m.gap = int(f.Count("gap", false, 0, maxGap))
	}
	if f.Has("outstanding") {
		m.outstanding = int(f.Count("outstanding", false, 1, maxOutstanding))
	}
	if f.Has("answers within") {
		m.answers = drivers.Span(f.Quantity("answers within", false, tree.DimTime, tree.Within(1000, int64(maxAnswers))))
	}
	p.lowWord = p.order(f, "words", false)
	p.lowByte = p.order(f, "bytes", false)
}

func (p *mapParser) order(f *tree.Fields, key string, otherwise bool) bool {
	switch f.Choice(key, false, "high first", "low first") {
	case "high first":
		return false
	case "low first":
		return true
	}
	return otherwise
}

// use says what a point is for, and so what it may be.
type use struct {
	dim   tree.Dimension // of its step; "": the step's own, or a plain count
	bit   bool           // a yes or no
	text  bool           // an identity
	write bool           // it must be possible to write it
}

func (p *mapParser) point(name string, n *tree.Node, u use) *point {
	f := p.Fields(n, name)
	defer f.Finish()
	at := &point{name: name, bit: -1, step: 1, lowWord: p.lowWord, lowByte: p.lowByte}
	before := len(p.Problems)
	p.where(f, at, u)
	switch {
	case len(p.Problems) > before:
		f.Ignore()
	case at.form == formText:
		at.chars = int(f.Count("length", true, 1, 2*maxRegisters))
	case at.form == formBit:
		at.inverted = f.Yes("inverted")
	default:
		p.scale(f, at, u)
	}
	if at.size() > 1 {
		at.lowWord = p.order(f, "words", p.lowWord)
	}
	if !at.table.bits() {
		at.lowByte = p.order(f, "bytes", p.lowByte)
	}
	if len(p.Problems) == before && int(at.at)+at.size() > 1<<16 {
		p.Addf(f.At["at"], "addresses end at 65535", "%s: %d registers from %d on", name, at.size(), at.at)
	}
	if len(p.Problems) > before {
		return nil
	}
	return at
}

// where reads the table, the address and what lies there.
func (p *mapParser) where(f *tree.Fields, at *point, u use) {
	words := tableNames[:]
	if u.write {
		words = []string{tableNames[coil], tableNames[holding]}
	}
	if u.text || u.dim != "" {
		words = []string{tableNames[input], tableNames[holding]}
	}
	if u.write && u.dim != "" {
		words = []string{tableNames[holding]}
	}
	table := f.Choice("table", true, words...)
	for i, t := range tableNames {
		if t == table {
			at.table = tableOf(i)
		}
	}
	p.address(f, at, table)
	if table == "" {
		return
	}
	if at.table.bits() {
		for _, key := range []string{"bit", "type"} {
			if n := f.Find(key); n != nil {
				p.Addf(n.At, "leave it out", "%s: a %s is a single bit already", f.What, strings.TrimSuffix(at.table.things(), "s"))
			}
		}
		return
	}
	switch {
	case f.Has("bit"):
		at.bit = int(f.Count("bit", true, 0, 15))
		if n := f.Find("type"); n != nil {
			p.Addf(n.At, "leave out the one or the other", "%s has a bit and a type", f.What)
		}
		if u.text || u.dim != "" {
			p.Addf(f.At["bit"], "give its type, such as `type: u16`", "%s is no bit", f.What)
		}
	case u.bit:
		p.Addf(f.At[""], "say which of the 16, such as `bit: 0` for the least", "%s lacks \"bit\"", f.What)
	case u.text && !f.Has("type"):
		at.form = formText
	default:
		types := []string{"u16", "s16", "u32", "s32", "float32"}
		if u.text {
			types = []string{"text", "u16", "u32"}
		}
		at.form = formNames[f.Choice("type", true, types...)]
	}
}

func tableOf(i int) table { return table(i) }

var (
	wireAddress  = regexp.MustCompile(`^(0|[1-9][0-9]{0,4}|0[xX][0-9A-Fa-f]{1,4})$`)
	manualNumber = regexp.MustCompile(`^[0134][0-9]{4,5}$`)
)

// digits are how manuals number the tables: 1 to 65536, with the table's digit
// in front.
var digits = map[string]byte{"coil": '0', "discrete": '1', "input": '3', "holding": '4'}

// address reads where a point stands. The numbers of manuals (40001 is the
// first holding register) are addresses too, of far away registers; taken for
// one they would read what is not meant, so they are refused with what they
// most likely mean. Written in hexadecimal an address is beyond doubt.
func (p *mapParser) address(f *tree.Fields, at *point, table string) {
	const right = "write the address as it travels on the wire, from 0 to 65535, such as `at: 107` or `at: 0x6B`"
	s, ok := f.Scalar("at", f.Need("at", right), right)
	if !ok {
		return
	}
	if manualNumber.MatchString(s) {
		for of, digit := range digits {
			if n, _ := strconv.Atoi(s[1:]); s[0] == digit && n >= 1 && n <= 1<<16 && (of == table || !wireAddress.MatchString(s)) {
				p.Addf(f.At["at"], fmt.Sprintf("the first one has address 0: write `at: %d`; or, if %s is the address on the wire, write it in hexadecimal", n-1, s),
					"%s: %s looks like a manual's number for %s %d", f.What, s, strings.TrimSuffix(tableNamed(of).things(), "s"), n)
				return
			}
		}
	}
	v, err := strconv.ParseUint(s, 0, 16)
	if err != nil || !wireAddress.MatchString(s) {
		p.Addf(f.At["at"], right, "%s: %q is no address", f.What, s)
		return
	}
	at.at = uint16(v)
}

func tableNamed(name string) table {
	for i, t := range tableNames {
		if t == name {
			return tableOf(i)
		}
	}
	return 0
}
