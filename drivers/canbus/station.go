package canbus

import (
	"encoding/binary"
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// station is a message as the decoder meets it: what makes its frames valid and
// which pages they bring.
type station struct {
	of   *message
	need uint8 // bytes that guards and switch take

	counts  bool
	counter bits
	last    uint64
	seen    bool // last is one
	back    bool // the latest frame's counter went back

	kind    ChecksumKind
	start   byte // the checksum after the data id's bytes
	check   bits
	checkAt int

	// common is the page that every frame brings, or -1; pages are those that
	// the switch selects.
	common   int
	switched bool
	mux      bits
	pages    []int
}

// page is what arrives at once: a message's signals, or those of one value of
// its multiplexer switch.
type page struct {
	of     *message
	value  uint64
	fields []field
	texts  []textField

	// required pages make a sweep. One that closes comes once a sweep: when it
	// comes again before the sweep is complete, something was lost.
	required, closes bool
	age              drivers.Span

	at    drivers.Instant // of its latest frame, or when waiting for it began
	sweep uint32          // the latest one it was part of
	came  bool            // at least once
	lost  bool            // too old: its channels read nothing, nobody waits for it
}

// field is one channel's place in a page. What the usual conversion needs lies
// in one cache line of its own: a sweep of hundreds of cells reads all of them.
type field struct {
	bits
	// simple says that raw values from lo to hi are raw*mul + add steps, none of
	// them absent, and all of them counts; convert knows the rest.
	simple           bool
	slot             int32
	lo, hi, mul, add int64
	*convert
	signal *signal
}

func newField(s mapped, b bits, c convert, slot int) field {
	f := field{bits: b, slot: int32(slot), lo: c.lo, hi: c.hi, mul: c.mul, add: c.add, convert: &c, signal: s.signal}
	f.simple = c.number == integer && c.div == 1 && c.lo <= c.hi && fits(c.at(c.lo)) && fits(c.at(c.hi))
	for _, x := range c.absent {
		f.simple = f.simple && (x < c.lo || x > c.hi)
	}
	return f
}

// fits says whether a number is a count.
func fits(n int64) bool { return n > math.MinInt32 && n <= math.MaxInt32 }

// textField is a piece of the identity.
type textField struct {
	bits
	piece int
}

// compile prepares the stations and pages of a map.
func (d *decoder) compile(m *Map) error {
	slot := 0
	for _, g := range []struct {
		*group
		step   int64
		kind   drivers.Kind
		cutoff int
	}{
		{&m.cells, int64(d.spec.CellStep), drivers.CellVoltage, d.spec.Cells},
		{&m.temps, int64(d.spec.TempStep), drivers.Temperature, d.spec.Temps},
		{&m.current, int64(d.spec.CurrentStep), drivers.ModuleCurrent, 1},
	} {
		for i, s := range g.signals[:min(len(g.signals), g.cutoff)] {
			c, err := converter(s.signal, s.bits, linearOf(s.signal, g.unit, g.sign), g.step, g.absent)
			if err != nil {
				return err
			}
			d.field(s, g.group, newField(s, s.bits, c, slot))
			d.names = append(d.names, drivers.Channel{Kind: g.kind, Index: i}.Name())
			slot++
		}
	}
	slot = d.compileBleeding(m, slot)
	d.compileIdentity(m)
	for _, st := range d.stations {
		d.guard(st, m.guards[st.of])
	}
	d.slots = make([]int32, slot)
	d.quiet = make([]drivers.Instant, slot)
	for i := range d.slots {
		d.slots[i] = drivers.NoReading
	}
	d.snap = slices.Clone(d.slots)
	d.snapAt = make([]drivers.Instant, len(d.pages))
	for i := range d.pages {
		if p := &d.pages[i]; p.required {
			d.required++
			d.maxAge = max(d.maxAge, p.age)
		}
	}
	return nil
}

// compileBleeding splits masks into parts that lie in one word of the reading.
func (d *decoder) compileBleeding(m *Map, slot int) int {
	cell := 0
	for _, s := range m.bleeding.signals {
		for done := 0; done < s.signal.size && cell < d.spec.Cells; {
			n := min(s.signal.size-done, 16-cell%16, d.spec.Cells-cell)
			b := s.bits
			b.shift += uint8(done)
			b.size, b.signed = uint8(n), false
			d.field(s, &m.bleeding, newField(s, b, convert{mul: 1, div: 1, hi: 1<<n - 1}, slot))
			d.words = append(d.words, wordPart{slot: slot, word: cell / 16, shift: uint8(cell % 16)})
			d.names = append(d.names, drivers.Channel{Kind: drivers.BleedState, Index: cell / 16}.Name())
			slot++
			done += n
			cell += n
		}
	}
	return slot
}

func (d *decoder) compileIdentity(m *Map) {
	for part := range m.identity.parts {
		d.partAt[part] = len(d.pieces)
		for _, s := range m.identity.parts[part].signals {
			p := d.page(s)
			d.pages[p].texts = append(d.pages[p].texts, textField{s.bits, len(d.pieces)})
			d.pieces = append(d.pieces, piece{bits: s.bits})
		}
	}
	d.partAt[identityParts] = len(d.pieces)
}

// field adds a channel to its page.
func (d *decoder) field(s mapped, g *group, f field) {
	at := d.page(s)
	p := &d.pages[at]
	p.fields = append(p.fields, f)
	d.slotPage = append(d.slotPage, at)
	period, age := g.period, g.age
	if period == 0 {
		period = d.spec.Period
	}
	if age == 0 {
		age = agePeriods * period
	}
	if p.age == 0 || age < p.age {
		p.age = age
	}
	if period <= d.spec.Period+d.spec.Period/2 {
		p.required = true
		p.closes = p.closes || period > d.spec.Period/2
	}
}

// page finds or makes the page that a signal arrives with.
func (d *decoder) page(s mapped) int {
	st := d.station(s.signal.of)
	if !s.signal.muxed {
		if st.common < 0 {
			st.common = d.addPage(page{of: st.of})
		}
		return st.common
	}
	for _, i := range st.pages {
		if d.pages[i].value == s.signal.muxValue {
			return i
		}
	}
	st.switched = true
	st.mux, _ = place(st.of.mux) // checked with the map
	st.mux.signed = false
	st.need = max(st.need, st.mux.need)
	st.pages = append(st.pages, d.addPage(page{of: st.of, value: s.signal.muxValue}))
	return st.pages[len(st.pages)-1]
}

func (d *decoder) addPage(p page) int {
	d.pages = append(d.pages, p)
	return len(d.pages) - 1
}

// station finds or makes a message's station.
func (d *decoder) station(of *message) *station {
	for _, st := range d.stations {
		if st.of == of {
			return st
		}
	}
	st := &station{of: of, common: -1}
	d.stations = append(d.stations, st)
	if of.extended {
		d.extended[of.id] = st
	} else {
		d.standard[of.id] = st
	}
	return st
}

func (d *decoder) guard(st *station, g *guardOf) {
	if st.switched && st.common >= 0 {
		d.pages[st.common].closes = false // it comes with every page
	}
	if g == nil {
		return
	}
	if g.counter != nil {
		st.counts, st.counter = true, g.counter.bits
		st.need = max(st.need, st.counter.need)
	}
	if g.checksum != nil {
		st.kind, st.check = g.kind, g.checksum.bits
		st.need = max(st.need, st.check.need)
		st.checkAt = int(st.check.need) - 1
		if st.kind == ChecksumJ1850 {
			st.start = 0xFF
		}
		for _, b := range g.dataID {
			st.start = st.kind.add(st.start, b)
		}
	}
}

// valid checks what guards a frame, and counts what it finds.
func (d *decoder) valid(st *station, f *Frame, little, big uint64) bool {
	if f.Len < uint16(st.need) {
		d.counts.Short++
		return false
	}
	if st.kind != ChecksumNone {
		if sum := st.sum(f); uint64(sum) != st.check.word(little, big) {
			d.counts.Corrupt++
			return false
		}
	}
	if !st.counts {
		return true
	}
	n := st.counter.word(little, big)
	step := (n - st.last) & (^uint64(0) >> (64 - st.counter.size))
	switch {
	case !st.seen:
		st.seen = true
	case step == 0:
		d.counts.Repeated++
		return false
	case step > 1<<(st.counter.size-1) && !st.back:
		// A frame that comes late brings what was before (INV-02). A monitor that
		// restarted goes on from there, and is heard with its next frame.
		st.back = true
		d.counts.Jumps++
		return false
	case step > 1:
		d.counts.Jumps++
		d.counts.Lost += step - 1
	}
	st.last, st.back = n, false
	return true
}

// sum is the checksum that a frame should have: Checksum, with the data id's
// part done beforehand.
func (st *station) sum(f *Frame) byte {
	sum, data := st.start, f.Data[:min(f.Len, maxPayload)]
	for i, b := range data {
		switch {
		case i == st.checkAt:
		case st.kind == ChecksumJ1850:
			sum = j1850[sum^b]
		case st.kind == ChecksumSum:
			sum += b
		default:
			sum ^= b
		}
	}
	if st.kind == ChecksumJ1850 {
		sum ^= 0xFF
	}
	return sum
}

// words returns a frame's bytes as one number in either order.
func (f *Frame) words() (little, big uint64) {
	return binary.LittleEndian.Uint64(f.Data[:]), binary.BigEndian.Uint64(f.Data[:])
}
