package canbus

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// maxChannels bounds the channels of one kind.
const maxChannels = 512

// mapReader gathers a Map.
type mapReader struct {
	resolver
	m *Map
	// masks are the bits that signals occupy, by message, to find overlaps.
	masks map[*message][]taken
}

type taken struct {
	s    *signal
	mask uint64
}

// ParseMap reads a signal map and the DBC file it names. name is how problems
// call the map's file; dbc finds the DBC file as the map names it, and says how
// problems call that one. The map is nil when there are problems.
func ParseMap(name string, src []byte, dbc func(file string) (name string, text []byte, err error)) (*Map, []tree.Problem) {
	r := &tree.Report{}
	root := r.Tree(name, src)
	if root == nil {
		return nil, r.Sorted()
	}
	p := &mapReader{
		resolver: resolver{r: r, used: map[*signal]string{}},
		m:        &Map{name: name, at: root.At, guards: map[*message]*guardOf{}},
		masks:    map[*message][]taken{},
	}
	f := r.Fields(root, "the signal map")
	p.readDBC(f, dbc)
	p.m.cells = p.channels(f, "cells", "cell", volts, true)
	p.m.temps = p.channels(f, "temperatures", "temperature", temps, true)
	p.m.current = p.channels(f, "current", "current", amps, true)
	p.m.bleeding = p.masksOf(f, "bleeding", "bleed state")
	p.readBleed(f)
	p.readCounters(f)
	p.readChecksums(f)
	p.readIdentity(f)
	f.Finish()
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return p.m, nil
}

func (p *mapReader) readDBC(f *tree.Fields, dbc func(string) (string, []byte, error)) {
	file := f.Text("dbc", "name the DBC file, such as `dbc: monitor.dbc`")
	if file == "" {
		return
	}
	name, text, err := dbc(file)
	if err != nil {
		p.r.Addf(f.At["dbc"], "a path is seen from the map's folder", "the DBC file cannot be read: %v", err)
		return
	}
	before := len(p.r.Problems)
	p.db = readDBC(p.r, name, text)
	if len(p.r.Problems) > before && len(p.db.signals) == 0 {
		p.db = nil
	}
}

// list reads one signal or pattern, or a list of them.
func (p *mapReader) list(f *tree.Fields, key string, first int) (all []mapped) {
	right := "name a signal, a pattern such as Cell{n}_Voltage, or a list of them"
	n := f.Need(key, right)
	if n == nil {
		return nil
	}
	items := []*tree.Node{n}
	if n.Kind != tree.Scalar {
		items = f.List(key, n, right)
	}
	for _, item := range items {
		text, ok := f.Scalar(key, item, right)
		if !ok {
			continue
		}
		for _, s := range p.expand(text, item.At, first) {
			all = append(all, mapped{at: item.At, signal: s})
		}
		if len(all) > maxChannels {
			p.r.Addf(item.At, fmt.Sprintf("at most %d are possible", maxChannels), "%s: %d signals", f.What, len(all))
			return nil
		}
	}
	return all
}

// use checks that a signal can be decoded, and takes it for one purpose.
func (p *mapReader) use(list []mapped, what func(i int) string) (kept []mapped) {
	for i, m := range list {
		if !p.take(m.signal, m.at, what(i)) || !p.decodable(&m) {
			continue
		}
		for _, t := range p.masks[m.signal.of] {
			apart := t.s.muxed && m.signal.muxed && t.s.muxValue != m.signal.muxValue
			if !apart && t.mask&m.bits.mask() != 0 {
				p.r.Addf(m.signal.at, "mend the start bits and lengths", "signals %s and %s of message %s overlap", t.s.name, m.signal.name, m.signal.of.name)
				break
			}
		}
		p.masks[m.signal.of] = append(p.masks[m.signal.of], taken{m.signal, m.bits.mask()})
		kept = append(kept, m)
	}
	return kept
}

// decodable finds a signal's bits and reports what makes it useless.
func (p *mapReader) decodable(m *mapped) bool {
	s := m.signal
	if of := s.of; of.refused != "" {
		if !of.told {
			of.told = true
			p.r.Add(of.at, of.refused, of.remedy)
		}
		return false
	}
	b, err := place(s)
	if err != nil {
		p.r.Add(s.at, err.Error(), "bits are numbered from 0; a message has eight per byte")
		return false
	}
	m.bits = b
	switch {
	case s.muxed && s.of.mux == nil:
		p.r.Addf(s.at, "mark the switch with M", "signal %s is sent for m%d, and message %s has no multiplexer switch", s.name, s.muxValue, s.of.name)
	case s.number == float32Bits && s.size != 32, s.number == float64Bits && s.size != 64:
		p.r.Addf(s.at, "floats have 32 bits (type 1) or 64 (type 2)", "signal %s is a float of %d bits", s.name, s.size)
	case s.factor.Sign() == 0:
		p.r.Addf(s.at, "a factor is not 0", "signal %s has the factor 0: every reading would be the same", s.name)
	case s.ranged() && s.least.Cmp(s.top) >= 0:
		p.r.Addf(s.at, "write the range as [least|greatest], [0|0] for none", "signal %s has an empty range", s.name)
	default:
		if s.muxed {
			if _, err := place(s.of.mux); err != nil || s.of.mux.number != integer {
				p.r.Add(s.of.mux.at, fmt.Sprintf("the switch of message %s cannot be decoded", s.of.name), "mend its start bit, length and type")
				return false
			}
		}
		return true
	}
	return false
}

// channels reads the channels of one kind.
func (p *mapReader) channels(f *tree.Fields, key, one string, units map[string]unitOf, required bool) group {
	g := group{sign: 1}
	n := f.Find(key)
	if required {
		n = f.Need(key, "say which signals they are, as `"+key+":` with `signals:` below it")
	}
	if n == nil {
		return g
	}
	c := p.r.Fields(n, key)
	g.at = n.At
	list := p.list(c, "signals", p.first(c))
	if one == "current" && len(list) > 1 {
		p.r.Addf(c.At["signals"], "name the one signal of the module's current", "current has %d signals", len(list))
		list = list[:1]
	}
	g.signals = p.use(list, func(i int) string {
		if one == "current" {
			return "the current"
		}
		return fmt.Sprintf("%s %d", one, i+1)
	})
	p.fresh(c, &g)
	g.absent = p.absent(c, &g)
	g.unit = p.unit(c, &g, one, units)
	if one == "current" && c.Choice("charge", true, "positive", "negative") == "negative" {
		g.sign = -1
	}
	c.Finish()
	return g
}

func (p *mapReader) first(f *tree.Fields) int {
	if n := f.Find("first"); n != nil {
		return int(f.CountOf("first", n, 0, 99_999))
	}
	return 1
}

// fresh reads how often channels come and how old they may become.
func (p *mapReader) fresh(f *tree.Fields, g *group) {
	bounds := tree.Within(int64(drivers.Millisecond), int64(drivers.Minute))
	g.period = drivers.Span(f.Quantity("period", false, tree.DimTime, bounds))
	g.age = drivers.Span(f.Quantity("age", false, tree.DimTime, bounds))
	if g.age != 0 && g.age < g.period {
		p.r.Addf(f.At["age"], "allow two or three periods", "%s: they come every %s and would be too old after %s", f.What, g.period, g.age)
	}
}

// absent reads the raw values by which the monitor says that it has no reading.
func (p *mapReader) absent(f *tree.Fields, g *group) (list []int64) {
	right := "write the raw number, such as 65535, or a list of them"
	n := f.Find("absent")
	if n == nil {
		return nil
	}
	items := []*tree.Node{n}
	if n.Kind != tree.Scalar {
		items = f.List("absent", n, right)
	}
	for _, item := range items {
		s, ok := f.Scalar("absent", item, right)
		if !ok {
			continue
		}
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			p.r.Addf(item.At, right, "absent is %q", s)
			continue
		}
		if len(g.signals) > 0 && !slices.ContainsFunc(g.signals, func(m mapped) bool { return m.bits.holds(v) }) {
			// It would never be met, and what the monitor does send taken for a reading.
			p.r.Addf(item.At, "write it as the signal's type reads it: 65535 in 16 bits with a sign is -1", "absent is %d, which signal %s cannot be", v, g.signals[0].signal.name)
			continue
		}
		list = append(list, v)
	}
	for _, m := range g.signals {
		if m.signal.number != integer {
			p.r.Addf(n.At, "leave it out: what is not a number is no reading", "signal %s is a float", m.signal.name)
			break
		}
	}
	return list
}

// unit checks that all signals of a group are in one unit, and in a right one.
func (p *mapReader) unit(f *tree.Fields, g *group, one string, units map[string]unitOf) (u unitOf) {
	names := make([]string, 0, len(units))
	for name := range units {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Or(cmp.Compare(len(a), len(b)), cmp.Compare(a, b)) })
	said := f.Choice("unit", false, names...)
	for i, m := range g.signals {
		name := m.signal.unit
		if name == "" {
			name = said
		}
		now, ok := units[name]
		right := fmt.Sprintf("the DBC file gives the unit: one of %q", names)
		switch {
		case name == "":
			p.r.Addf(m.signal.at, "write it in the DBC file, or `unit:` in the map", "signal %s has no unit", m.signal.name)
		case !ok:
			p.r.Addf(m.signal.at, right, "signal %s is in %q, which is no unit of a %s", m.signal.name, name, one)
		case said != "" && now != units[said]:
			p.r.Addf(f.At["unit"], "leave unit out of the map", "the DBC file says that signal %s is in %q", m.signal.name, name)
		case i > 0 && u != now:
			p.r.Addf(m.signal.at, "give all of them one unit", "signal %s is in %q, unlike those before it", m.signal.name, name)
		default:
			u = now
			continue
		}
		return u
	}
	return u
}

// masksOf reads signals whose bits stand for cells, one after the other.
func (p *mapReader) masksOf(f *tree.Fields, key, what string) group {
	g := group{}
	n := f.Find(key)
	if n == nil {
		return g
	}
	c := p.r.Fields(n, key)
	g.at = n.At
	g.signals = p.bitSignals(p.list(c, "signals", p.first(c)), what)
	p.fresh(c, &g)
	c.Finish()
	return g
}

// bitSignals demands whole numbers without a scale.
func (p *mapReader) bitSignals(list []mapped, what string) (kept []mapped) {
	cells := 0
	one := big1
	for _, m := range p.use(list, func(i int) string { return fmt.Sprintf("%s %d", what, i+1) }) {
		s := m.signal
		if s.number != integer || s.factor.Cmp(one) != 0 || s.offset.Sign() != 0 {
			p.r.Addf(s.at, "bits have the factor 1 and the offset 0", "signal %s has a scale, and is the %s of single cells", s.name, what)
			continue
		}
		if cells += s.size; cells > math.MaxInt16 {
			break
		}
		kept = append(kept, m)
	}
	return kept
}
