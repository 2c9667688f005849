package modbus

import (
	"fmt"
	"slices"
	"strconv"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// box reads what is special to a contactor box.
func (p *mapParser) box(f *tree.Fields) {
	m := p.m
	if n := f.Need("link", "say where the link's voltage is read, such as `link: {table: input, at: 0, type: u16, step: 10 mV}`"); n != nil {
		m.link = p.point("link", n, use{dim: tree.DimVoltage})
	}
	if n := f.Find("current"); n != nil {
		m.current = p.point("current", n, use{dim: tree.DimCurrent})
	}
	if n := f.Find("beat"); n != nil {
		m.beat = p.point("beat", n, use{dim: tree.DimCount})
		p.whole(m.beat, f.At["beat"])
	}
	if n := f.Find("emergency_stop"); n != nil {
		m.stop = p.point("emergency_stop", n, use{bit: true})
	}
	if n := f.Find("faults"); n != nil {
		m.faults = p.named(f, n, "faults", use{bit: true})
	}
	p.commands(f)
	p.feedback(f)
	p.readHeartbeat(f)
}

// whole demands an unsigned counter.
func (p *mapParser) whole(at *point, where tree.Pos) {
	if at != nil && at.form != formU16 && at.form != formU32 {
		p.Addf(where, "give it `type: u16` or `type: u32`", "%s counts, so it has no sign and no fraction", at.name)
	}
}

// named reads a list of named points.
func (p *mapParser) named(f *tree.Fields, n *tree.Node, key string, u use) []*point {
	if n.Kind == tree.Bad {
		return nil
	}
	if n.Kind != tree.Map || len(n.Keys) == 0 {
		p.Addf(f.At[key], "write a line `name: {table: input, at: 0, ...}` for each", "%s names nothing", key)
		return nil
	}
	if len(n.Keys) > maxPoints {
		p.Addf(f.At[key], fmt.Sprintf("at most %d", maxPoints), "%s names %d points", key, len(n.Keys))
		return nil
	}
	var list []*point
	for _, e := range n.Keys {
		if at := p.point(e.Key, e.Value, u); at != nil {
			list = append(list, at)
		}
	}
	return list
}

// list reads the points of a device that is no box.
func (p *mapParser) list(f *tree.Fields) {
	if n := f.Need("points", "name what it measures, such as `points: {coolant: {table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC}}`"); n != nil {
		p.m.points = p.named(f, n, "points", use{})
	}
}

// feedback reads the auxiliary contacts. Each contactor that can be commanded
// needs one: what was asked for is not what is closed.
func (p *mapParser) feedback(f *tree.Fields) {
	n := f.Need("feedback", "say where the auxiliary contact of each contactor is read, such as `feedback: {negative: {table: input, at: 4, bit: 0}}`")
	if n == nil {
		return
	}
	c := p.Fields(n, "feedback")
	defer c.Finish()
	for k, name := range contactorNames {
		n := c.Find(name)
		if n == nil {
			if p.m.commands.there&(1<<k) != 0 && c.Node.Kind == tree.Map {
				p.Addf(c.At[""], "each commanded contactor needs its auxiliary contact read", "feedback lacks %q", name)
			}
			continue
		}
		at := p.point("feedback."+name, n, use{bit: true})
		p.m.feedback[k] = at
		if at == nil {
			continue
		}
		if p.m.commands.say(at) {
			p.Addf(n.At, "read the auxiliary contact", "feedback.%s reads a command back, so that a welded or dead contactor would not show", name)
		}
		for j, other := range p.m.feedback[:k] {
			if other != nil && other.table == at.table && other.at == at.at && other.bit == at.bit {
				p.Addf(n.At, "each contactor has an auxiliary contact of its own", "feedback.%s reads what feedback.%s reads", name, contactorNames[j])
			}
		}
	}
}

// commands reads how contactors are closed.
func (p *mapParser) commands(f *tree.Fields) {
	n := f.Need("commands", "say what closes each contactor, such as `commands: {negative: {table: coil, at: 0}}`")
	if n == nil {
		return
	}
	c := p.Fields(n, "commands")
	defer c.Finish()
	m := &p.m.commands
	var others int64
	if c.Has("others") {
		others, _ = p.code(c, "others", c.Find("others"), 16)
	}
	switch c.Choice("write", false, "as fits", "single", "many") {
	case "single":
		m.single = true
	case "many":
		m.many = true
	}
	if c.Has("read_back") {
		m.blind = !c.Yes("read_back")
	}
	for k, name := range contactorNames {
		n := c.Find(name)
		if n == nil {
			if name != contactorNames[1] && c.Node.Kind == tree.Map {
				p.Addf(c.At[""], "a box switches both poles; only the precharge contactor may be missing", "commands lacks %q", name)
			}
			continue
		}
		m.there |= 1 << k
		p.command(k, n, uint16(others))
	}
	slices.SortFunc(m.outs, func(a, b out) int { return int(a.at) - int(b.at) })
}

// command adds one contactor to the coil or register that closes it.
func (p *mapParser) command(k int, n *tree.Node, others uint16) {
	name := "commands." + contactorNames[k]
	m := &p.m.commands
	var on, off int64
	whole := false
	if n.Kind == tree.Map {
		// The two values of a register that is all one contactor's.
		if i := slices.IndexFunc(n.Keys, func(e tree.Entry) bool { return e.Key == "on" }); i >= 0 {
			whole = true
			n, on, off = p.values(n, name)
		}
	}
	at := p.point(name, n, use{write: true, bit: !whole, dim: map[bool]tree.Dimension{true: tree.DimCount}[whole]})
	switch {
	case at == nil:
		return
	case at.inverted:
		p.Addf(n.At, "with an inverted command a box that loses its settings closes its contactors; have it built the other way round", "%s is inverted", name)
		return
	case at.lowByte:
		p.Addf(n.At, "count its bits as they stand in the register", "%s: bytes low first is not possible for a command", name)
		return
	case len(m.outs) > 0 && m.table != at.table:
		p.Addf(n.At, "one table for all three", "commands lie in different tables")
		return
	case at.table == coil:
		on = 1
	case !whole:
		on = 1 << at.bit
	}
	m.table = at.table
	i := slices.IndexFunc(m.outs, func(o out) bool { return o.at == at.at })
	if i < 0 {
		i = len(m.outs)
		m.outs = append(m.outs, out{at: at.at})
		if at.table == holding && !whole {
			m.outs[i].others = others
		}
	} else if o := &m.outs[i]; whole || at.table == coil || overlap(o, uint16(on)) {
		p.Addf(n.At, "each contactor has a coil, a bit or a register of its own", "%s stands where another contactor's command stands", name)
	}
	m.outs[i].on[k], m.outs[i].off[k] = uint16(on), uint16(off)
	if m.outs[i].others&uint16(on) != 0 {
		p.Addf(n.At, "leave this bit out of others", "%s: others has its bit set, so it would never open", name)
	}
}

func overlap(o *out, on uint16) bool {
	return (o.on[0]|o.on[1]|o.on[2])&on != 0 || o.off != [3]uint16{}
}

// values reads `on` and `off` of a command and returns the node without them.
func (p *mapParser) values(n *tree.Node, name string) (rest *tree.Node, on, off int64) {
	c := &tree.Fields{Report: p.Report, Node: n, What: name, At: map[string]tree.Pos{}}
	on, _ = p.code(c, "on", c.Find("on"), 16)
	if c.Has("off") {
		off, _ = p.code(c, "off", c.Find("off"), 16)
	}
	if on == off {
		p.Addf(c.At["on"], "give the value that closes and the one that opens", "%s closes and opens with the same value", name)
	}
	out := *n
	out.Keys = slices.DeleteFunc(slices.Clone(n.Keys), func(e tree.Entry) bool { return e.Key == "on" || e.Key == "off" })
	return &out, on, off
}

// readHeartbeat reads how the box is kept in touch.
func (p *mapParser) readHeartbeat(f *tree.Fields) {
	n := f.Find("heartbeat")
	if n == nil {
		return
	}
	h := &p.m.heartbeat
	c := p.Fields(n, "heartbeat")
	if l := c.Find("limit"); l != nil {
		h.limit = p.point("heartbeat.limit", l, use{dim: tree.DimTime})
	}
	if c.Has("fed_by") {
		h.any = c.Choice("fed_by", true, "any request") != ""
		c.Finish()
		return
	}
	if n.Kind != tree.Map {
		return
	}
	rest := *n
	rest.Keys = slices.DeleteFunc(slices.Clone(n.Keys), func(e tree.Entry) bool { return e.Key == "limit" })
	h.register = p.point("heartbeat", &rest, use{write: true, dim: tree.DimCount})
	if h.register != nil && h.register.form != formU16 {
		p.Addf(n.At, "give it `type: u16`", "heartbeat is one register, counted up at each contact")
	}
	if h.register != nil && p.m.commands.table == holding && slices.ContainsFunc(p.m.commands.outs, func(o out) bool { return o.at == h.register.at }) {
		p.Addf(n.At, "a register of its own", "heartbeat stands where a command stands")
	}
}

var identityParts = [...]string{"maker", "model", "serial", "firmware"}

func (p *mapParser) readIdentity(f *tree.Fields) {
	n := f.Find("identity")
	if n == nil {
		return
	}
	c := p.Fields(n, "identity")
	defer c.Finish()
	for i, part := range identityParts {
		if n := c.Find(part); n != nil {
			p.m.identity[i] = p.point("identity."+part, n, use{text: true})
		}
	}
}

// stepDimensions are what the points of a map may measure, by their step's unit.
var stepDimensions = []tree.Dimension{
	tree.DimVoltage, tree.DimCurrent, tree.DimResistance, tree.DimDifference, tree.DimTime,
	tree.DimRatio, tree.DimPower, tree.DimCharge, tree.DimEnergy,
}

// scale reads what a register's number means.
func (p *mapParser) scale(f *tree.Fields, at *point, u use) {
	at.dim = u.dim
	switch {
	case u.text || u.dim == tree.DimCount:
		at.dim = tree.DimCount
		return // a plain number
	case u.dim != "":
		at.step = f.Quantity("step", true, u.dim, tree.Within(1, maxAmount))
	default:
		p.step(f, at)
	}
	if at.dim == tree.DimDifference {
		at.dim = tree.DimTemperature
		if !f.Has("zero") {
			p.Addf(f.At[""], "say which temperature the number 0 stands for, such as `zero: 0 degC`", "%s lacks \"zero\"", f.What)
		}
		at.zero = f.Quantity("zero", false, tree.DimTemperature, tree.Within(0, 10_000_000))
	}
	// A quarter of int64, so that zero and range fit beside it.
	if top := int64(1) << map[form]uint{formU16: 16, formS16: 15, formU32: 32, formS32: 31, formFloat32: 0}[at.form]; at.step > maxAmount/top {
		p.Addf(f.At["step"], "take a shorter type or a finer step", "%s: its greatest value cannot be held", f.What)
	}
	if at.dim != tree.DimCount && f.Has("valid") {
		at.lo, at.hi = f.Between("valid", false, at.dim, tree.Within(-maxAmount, maxAmount))
		at.bounded = true
	}
	if n := f.Find("invalid"); n != nil {
		p.invalid(f, at, n)
	}
}

// step takes the dimension from the unit of the step.
func (p *mapParser) step(f *tree.Fields, at *point) {
	n := f.Find("step")
	if n == nil {
		at.dim = tree.DimCount
		return
	}
	for _, d := range stepDimensions {
		if _, err := tree.ParseQuantity(n.Text, d); n.Kind == tree.Scalar && err == nil {
			at.dim = d
			at.step = f.Quantity("step", true, d, tree.Within(1, maxAmount))
			return
		}
	}
	p.Addf(n.At, "write what one count means, such as `step: 0.1 K` or `step: 1 kOhm`; leave it out for a plain count",
		"%s: step %q is no quantity that can be held", f.What, n.Text)
}

// invalid reads the codes that mean "no reading".
func (p *mapParser) invalid(f *tree.Fields, at *point, n *tree.Node) {
	bits := 16 * at.size()
	items := []*tree.Node{n}
	if n.Kind == tree.List {
		items = f.List("invalid", n, "write a code, such as 0x8000")
	}
	for _, item := range items {
		if v, ok := p.code(f, "invalid", item, bits); ok {
			at.invalid = append(at.invalid, uint32(v)&(1<<bits-1))
		}
	}
}

// code reads a register's content: 0x8000, 32768 or -32768.
func (p *mapParser) code(f *tree.Fields, key string, n *tree.Node, bits int) (int64, bool) {
	right := fmt.Sprintf("write what stands in the register, such as 0x8000; it has %d bits", bits)
	s, ok := f.Scalar(key, n, right)
	if !ok {
		return 0, false
	}
	v, err := strconv.ParseInt(s, 0, 64)
	if err != nil || v >= 1<<bits || v < -(1<<(bits-1)) {
		p.Addf(n.At, right, "%s: %s %q does not fit", f.What, key, s)
		return 0, false
	}
	return v & (1<<bits - 1), true
}
