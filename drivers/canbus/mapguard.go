package canbus

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

var big1 = big.NewRat(1, 1)

// readBleed reads the command that bleeds cells.
func (p *mapReader) readBleed(f *tree.Fields) {
	n := f.Find("bleed")
	if n == nil {
		return
	}
	c := p.r.Fields(n, "bleed")
	b := &p.m.bleed
	b.at = n.At
	b.signals = p.bitSignals(p.list(c, "signals", p.first(c)), "bleed command")
	b.repeat = drivers.Span(c.Quantity("repeat", false, tree.DimTime, tree.Within(int64(10*drivers.Millisecond), int64(drivers.Hour))))
	p.readConstants(c, b)
	c.Finish()
	for _, m := range b.signals {
		if m.signal.muxed {
			p.r.Addf(m.signal.at, "send the command in messages without a switch", "signal %s of the bleed command is multiplexed", m.signal.name)
			return
		}
		b.messages = append(b.messages, m.signal.of)
	}
	for _, m := range b.constants {
		if !slices.Contains(b.messages, m.signal.of) {
			p.r.Addf(m.at, "only messages with bleed bits are sent", "message %s of constant %s is no part of the bleed command", m.signal.of.name, m.signal.name)
		}
	}
	slices.SortFunc(b.messages, func(x, y *message) int { return int(int64(x.key()) - int64(y.key())) })
	b.messages = slices.Compact(b.messages)
}

func (p *mapReader) readConstants(f *tree.Fields, b *command) {
	n := f.Find("constants")
	if n == nil {
		return
	}
	right := "write lines such as `Bleed_Enable: 1`"
	if n.Kind != tree.Map {
		if n.Kind != tree.Bad {
			p.r.Addf(n.At, right, "constants is %s", n.Kind)
		}
		return
	}
	for _, e := range n.Keys {
		s := p.one(e.Key, e.At)
		text, ok := f.Scalar(e.Key, e.Value, right)
		if s == nil || !ok {
			continue
		}
		v, err := strconv.ParseUint(text, 10, 64)
		if err != nil || s.size < 64 && v>>min(s.size, 63) != 0 {
			p.r.Addf(e.Value.At, right, "constant %s is %q; the signal has %d bits", e.Key, text, s.size)
			continue
		}
		for _, m := range p.use([]mapped{{at: e.At, signal: s}}, func(int) string { return "a constant" }) {
			b.constants = append(b.constants, constant{m, v})
		}
	}
}

// guard returns what guards a message's frames.
func (p *mapReader) guard(of *message) *guardOf {
	g := p.m.guards[of]
	if g == nil {
		g = &guardOf{}
		p.m.guards[of] = g
	}
	return g
}

// readCounters reads the signals that rise by one with each frame.
func (p *mapReader) readCounters(f *tree.Fields) {
	if !f.Has("counters") {
		return
	}
	for _, m := range p.use(p.list(f, "counters", 1), func(int) string { return "a counter" }) {
		s := m.signal
		g := p.guard(s.of)
		switch {
		case s.muxed || s.number != integer || s.signed || s.size < 2 || s.size > 32:
			p.r.Addf(s.at, "a counter is an unsigned whole number of 2 to 32 bits that every frame carries", "signal %s cannot be a counter", s.name)
		case g.counter != nil:
			p.r.Addf(m.at, "name one", "message %s has two counters, %s and %s", s.of.name, g.counter.signal.name, s.name)
		default:
			g.counter = &m
		}
	}
}

// readChecksums reads which signals are checksums, and of which kind.
func (p *mapReader) readChecksums(f *tree.Fields) {
	n := f.Find("checksums")
	for i, item := range f.List("checksums", n, "write a list of `- kind:` with `signals:` below") {
		c := p.r.Fields(item, fmt.Sprintf("checksum %d", i+1))
		kind := ChecksumKind(max(0, slices.Index(checksumNames[:], c.Choice("kind", true, checksumNames[1:]...))))
		own, fixed := p.dataID(c)
		for _, m := range p.use(p.list(c, "signals", p.first(c)), func(int) string { return "a checksum" }) {
			s := m.signal
			g := p.guard(s.of)
			switch {
			case s.muxed || s.number != integer || s.size != 8 || m.bits.shift%8 != 0:
				p.r.Addf(s.at, "a checksum is one whole byte that every frame carries", "signal %s cannot be a checksum", s.name)
				continue
			case g.checksum != nil:
				p.r.Addf(m.at, "name one", "message %s has two checksums, %s and %s", s.of.name, g.checksum.signal.name, s.name)
				continue
			}
			g.checksum, g.kind, g.dataID = &m, kind, fixed
			if own {
				g.dataID = idBytes(s.of)
			}
		}
		c.Finish()
	}
}

// dataID reads what goes into a checksum before the frame's bytes: `id` for the
// identifier, or a list of bytes.
func (p *mapReader) dataID(f *tree.Fields) (own bool, fixed []byte) {
	right := "write id for the frame's identifier, or a list of bytes such as [18, 52]"
	n := f.Find("data_id")
	switch {
	case n == nil:
		return false, nil
	case n.Kind == tree.Scalar:
		if n.Text != "id" {
			p.r.Addf(n.At, right, "data_id is %q", n.Text)
		}
		return true, nil
	}
	for _, item := range f.List("data_id", n, right) {
		fixed = append(fixed, byte(f.CountOf("data_id", item, 0, 255)))
	}
	return false, fixed
}

// idBytes is a message's identifier, low byte first: two bytes, or four of an
// extended one.
func idBytes(m *message) []byte {
	b := []byte{byte(m.id), byte(m.id >> 8)}
	if m.extended {
		b = append(b, byte(m.id>>16), byte(m.id>>24))
	}
	return b
}

// readIdentity reads where the monitor says who it is.
func (p *mapReader) readIdentity(f *tree.Fields) {
	n := f.Need("identity", "give maker, model and serial: each a text, or `text:` or `numbers:` with the signals that say it")
	if n == nil {
		return
	}
	c := p.r.Fields(n, "identity")
	d := &p.m.identity
	d.at = n.At
	for i, key := range partNames {
		d.parts[i] = p.identityPart(c, key)
	}
	for _, key := range []int{partModel, partSerial} {
		if part := d.parts[key]; part.fixed == "" && len(part.signals) == 0 && n.Kind == tree.Map && p.db != nil && !c.Has(partNames[key]) {
			p.r.Addf(n.At, "a model and a serial tell one monitor from the next; write them from its label if it does not say them", "identity lacks %q", partNames[key])
		}
	}
	if at := c.Find("request"); at != nil {
		name, ok := c.Scalar("request", at, "name the message that asks for it")
		if ok && p.db != nil {
			if d.request = p.db.byName[name]; d.request == nil {
				p.r.Addf(at.At, "name a message of the DBC file", "there is no message %q", name)
			} else if d.request.refused != "" {
				p.r.Add(d.request.at, d.request.refused, d.request.remedy)
			}
		}
	}
	c.Finish()
}

func (p *mapReader) identityPart(f *tree.Fields, key string) (part identityPart) {
	n := f.Find(key)
	if n == nil || n.Kind != tree.Map {
		part.fixed, _ = f.Scalar(key, n, "write a text, or `text:` or `numbers:` below it")
		return part
	}
	c := p.r.Fields(n, "identity "+key)
	how := "text"
	if c.Has("numbers") {
		how, part.numbers = "numbers", true
	}
	part.signals = p.use(p.list(c, how, p.first(c)), func(int) string { return "the " + key })
	for _, m := range part.signals {
		if m.signal.number != integer || !part.numbers && (m.bits.size%8 != 0 || m.bits.shift%8 != 0) {
			p.r.Addf(m.signal.at, "text lies in whole bytes, numbers are whole", "signal %s cannot be %s of the %s", m.signal.name, how, key)
		}
	}
	c.Finish()
	return part
}
