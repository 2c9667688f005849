package scpi

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Roles of a dialect.
const (
	roleSupply = "supply"
	roleLoad   = "load"
	roleMeter  = "meter"
)

// ParseDialect reads a dialect file; name is how messages call it. All mistakes
// are reported at once; with any, there is no dialect.
func ParseDialect(name string, src []byte) (*Dialect, []tree.Problem) {
	r := &tree.Report{}
	root := r.Tree(name, src)
	if root == nil {
		return nil, r.Sorted()
	}
	d := &Dialect{}
	p := parser{r, d}
	p.dialect(r.Fields(root, "dialect"))
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return d, nil
}

// parser reads the sections of a file into d.
type parser struct {
	*tree.Report
	d *Dialect
}

func (p parser) dialect(f *tree.Fields) {
	d := p.d
	d.name = f.Name("dialect", "common-supply", true)
	d.role = f.Choice("role", true, roleSupply, roleLoad, roleMeter)
	d.about = f.Optional("about")
	p.line(f)
	p.basics(f)
	d.connect = p.commands(f, "connect", f.Find("connect"))
	d.release = p.commands(f, "release", f.Find("release"))
	if d.role == roleMeter {
		for _, key := range []string{"prepare", "set", "output", "limits"} {
			if n := f.Find(key); n != nil {
				p.Addf(n.At, "leave it out; what a meter needs once goes under connect", "a meter has no %q", key)
			}
		}
	} else {
		d.prepare = p.commands(f, "prepare", f.Find("prepare"))
		p.settings(f)
		p.output(f)
		p.limits(f)
	}
	p.readings(f)
	p.states(f)
	f.Finish()
	p.whole(f)
}

// section opens a map of f; absent, it has no keys.
func (p parser) section(f *tree.Fields, key, right string) *tree.Fields {
	if right != "" {
		return p.Fields(f.Need(key, right), key)
	}
	return p.Fields(f.Find(key), key)
}

// span reads a short time as it passes on the wire.
func span(f *tree.Fields, key string, most drivers.Span) time.Duration {
	return time.Duration(f.Quantity(key, false, tree.DimTime, tree.Within(0, int64(most)))) * time.Microsecond
}

var terminators = map[string]string{"LF": "\n", "CR LF": "\r\n", "CR": "\r"}

func (p parser) line(f *tree.Fields) {
	l := &p.d.line
	*l = line{ends: "\n", reply: '\n', longest: 512}
	c := p.section(f, "line", "")
	if s := c.Choice("ends", false, "LF", "CR LF", "CR"); s != "" {
		l.ends = terminators[s]
	}
	if s := c.Choice("replies_end", false, "LF", "CR LF", "CR"); s == "CR" {
		l.reply = '\r'
	}
	if c.Has("longest") {
		l.longest = int(c.Count("longest", false, 32, 4096))
	}
	l.gap = span(c, "gap", 200*drivers.Millisecond)
	c.Finish()
}

// basics reads what IEEE 488.2 demands of every instrument.
func (p parser) basics(f *tree.Fields) {
	d := p.d
	d.identity = identityRule{ask: "*IDN?", fields: 4}
	c := p.section(f, "identity", "")
	d.identity.ask = p.question(c, "ask", d.identity.ask)
	if c.Has("fields") {
		d.identity.fields = int(c.Count("fields", false, 2, 4))
	}
	d.identity.maker = c.Choice("extra_commas", false, "maker", "firmware") == "maker"
	c.Finish()

	d.errors.most = 16
	c = p.section(f, "errors", "say how the error queue is read, such as `ask: \"SYST:ERR?\"`")
	d.errors.ask = p.question(c, "ask", "")
	d.errors.clear = p.command(c, "clear", false)
	if c.Has("most") {
		d.errors.most = int(c.Count("most", false, 1, 100))
	}
	c.Finish()

	c = p.section(f, "status", "")
	if c.Node.Kind == tree.Map {
		d.status = p.question(c, "ask", "")
	}
	c.Finish()

	c = p.section(f, "marker", "")
	d.marker.ask = d.identity.ask
	if c.Node.Kind == tree.Map {
		d.marker.send = p.command(c, "send", true, "number")
		d.marker.ask = p.question(c, "ask", "")
	}
	c.Finish()
}

// question reads a question; without a fallback it is required.
func (p parser) question(f *tree.Fields, key, fallback string) string {
	right := "write the question as the manual has it, such as \"MEAS:VOLT?\""
	n := f.Find(key)
	if n == nil && fallback != "" {
		return fallback
	}
	s, ok := f.Scalar(key, f.Need(key, right), right)
	if !ok {
		return ""
	}
	if what, right := checkQuestion(s); what != "" {
		p.Addf(f.At[key], right, "%s %q %s", key, s, what)
	}
	return s
}

// command reads one message with exactly the given placeholders.
func (p parser) command(f *tree.Fields, key string, required bool, want ...string) string {
	right := "write the command as the manual has it"
	n := f.Find(key)
	if required {
		n = f.Need(key, right)
	}
	s, ok := f.Scalar(key, n, right)
	if !ok {
		return ""
	}
	if what, right := checkCommand(s, want...); what != "" {
		p.Addf(f.At[key], right, "%s %q %s", key, s, what)
	}
	return s
}

// commands reads one message or a list of them; the placeholders must stand in
// exactly one of them.
func (p parser) commands(f *tree.Fields, key string, n *tree.Node, want ...string) []string {
	if n == nil || n.Kind == tree.Bad {
		return nil
	}
	items := []*tree.Node{n}
	if n.Kind != tree.Scalar {
		items = f.List(key, n, "write a command, or a list of commands")
	}
	if len(items) > 16 {
		p.Addf(n.At, "at most 16", "%s has %d commands", key, len(items))
		return nil
	}
	var list []string
	filled := false
	for _, item := range items {
		s, ok := f.Scalar(key, item, "write one command")
		if !ok {
			continue
		}
		use := want
		if !strings.ContainsAny(s, "{}") {
			use = nil
		}
		if what, right := checkCommand(s, use...); what != "" {
			p.Addf(item.At, right, "%s %q %s", key, s, what)
			continue
		}
		filled = filled || len(use) > 0
		list = append(list, s)
	}
	if len(want) > 0 && !filled && len(list) == len(items) {
		p.Addf(n.At, "write it where the number goes", "%s holds {%s} nowhere", key, want[0])
	}
	return list
}

// Units of what is written and read, in base units.
var unitsOf = map[tree.Dimension]map[string]int64{
	tree.DimVoltage: {"V": 1_000_000, "mV": 1_000, "uV": 1},
	tree.DimCurrent: {"A": 1_000_000, "mA": 1_000, "uA": 1},
	tree.DimTime:    {"s": 1_000_000, "ms": 1_000},
}

func (p parser) unit(f *tree.Fields, dim tree.Dimension) int64 {
	var names []string
	for u := range unitsOf[dim] {
		names = append(names, u)
	}
	slices.Sort(names)
	return unitsOf[dim][f.Choice("unit", true, names...)]
}

// suffix reads what replies end with after their number.
func (p parser) suffix(f *tree.Fields) string {
	s := f.Optional("suffix")
	if len(s) > 8 {
		p.Addf(f.At["suffix"], "write the unit that the replies end with, such as V", "suffix %q is too long", s)
	}
	return s
}

// number reads how a quantity is written, and read back.
func (p parser) number(f *tree.Fields, dim tree.Dimension) number {
	n := number{mult: p.unit(f, dim)}
	n.decimals = int(f.Count("decimals", true, 0, 6))
	n.step = f.Quantity("step", false, dim, tree.Within(0, 1_000_000_000))
	n.suffix = p.suffix(f)
	finest := 0
	for m := n.mult; m > 1; m /= 10 {
		finest++
	}
	if n.mult > 0 && n.decimals > finest {
		p.Addf(f.At["decimals"], fmt.Sprintf("at most %d", finest), "%s: %d decimals are finer than a millionth", f.What, n.decimals)
	}
	return n
}

func (p parser) settings(f *tree.Fields) {
	d := p.d
	c := p.section(f, "set", "say how current and voltage are set")
	n := c.Find("both")
	if n != nil {
		d.both = p.command(c, "both", true, "voltage", "current")
	}
	for _, x := range []struct {
		key string
		dim tree.Dimension
		to  *setting
	}{{"current", tree.DimCurrent, &d.current}, {"voltage", tree.DimVoltage, &d.voltage}} {
		s := p.section(c, x.key, "say how it is written and set")
		x.to.number = p.number(s, x.dim)
		if n == nil {
			x.to.send = p.command(s, "send", true, x.key)
		} else if m := s.Find("send"); m != nil {
			p.Addf(m.At, "leave it out, or leave out both", "%s is set by \"both\" already", x.key)
		}
		if s.Has("ask") {
			x.to.ask = p.question(s, "ask", "")
		}
		s.Finish()
	}
	d.setSettle = span(c, "settle", drivers.Second)
	c.Finish()
}

func (p parser) output(f *tree.Fields) {
	o := &p.d.output
	c := p.section(f, "output", "say how it is switched on and off")
	o.on = p.command(c, "on", true)
	o.off = p.command(c, "off", true)
	if o.on != "" && strings.EqualFold(o.on, o.off) {
		p.Addf(c.At["off"], "they must differ", "on and off are the same command")
	}
	o.settle = span(c, "settle", drivers.Second)
	o.overtake = c.Choice("overtakes", false, "yes", "no") != "no"
	c.Finish()
}

func (p parser) limits(f *tree.Fields) {
	d := p.d
	c := p.section(f, "limits", "")
	for _, x := range []struct {
		key, placeholder string
		dim              tree.Dimension
		to               **limit
	}{
		{"over_voltage", "voltage", tree.DimVoltage, &d.overVoltage},
		{"over_current", "current", tree.DimCurrent, &d.overCurrent},
		{"silence", "time", tree.DimTime, &d.silence},
	} {
		n := c.Find(x.key)
		if n == nil {
			continue
		}
		s := p.Fields(n, x.key)
		l := &limit{number: p.number(s, x.dim)}
		l.send = p.commands(s, "send", s.Need("send", "say how it is set"), x.placeholder)
		l.ask = p.question(s, "ask", "")
		l.clear = p.commands(s, "clear", s.Find("clear"))
		if x.key == "silence" {
			l.off = p.commands(s, "off", s.Need("off", "say how it is switched off, for benches that ask for none"))
		}
		s.Finish()
		*x.to = l
	}
	c.Finish()
}

func (p parser) readings(f *tree.Fields) {
	c := p.section(f, "read", "say how it measures")
	one := func(key string, dim tree.Dimension) (r reading) {
		s := p.section(c, key, "say how it is measured")
		r.ask = p.question(s, "ask", "")
		r.mult = p.unit(s, dim)
		r.suffix = p.suffix(s)
		r.reversed = s.Choice("sign", false, "same", "reversed") == "reversed"
		s.Finish()
		return r
	}
	p.d.readVoltage = one("voltage", tree.DimVoltage)
	if p.d.role != roleMeter {
		p.d.readCurrent = one("current", tree.DimCurrent)
	}
	c.Finish()
}
