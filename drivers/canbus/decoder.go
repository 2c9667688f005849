package canbus

import (
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// Counts is what a driver saw on its bus since it was opened.
type Counts struct {
	Frames  uint64 // all of them
	Foreign uint64 // of messages that the map does not use
	Remote  uint64 // remote, FD and XL frames: never decoded
	Errors  uint64 // error frames of the local controller
	Short   uint64 // frames too short for their counter, checksum or switch
	Corrupt uint64 // frames with a wrong checksum, dropped
	// Repeated frames have the counter of the one before and bring nothing new.
	Repeated uint64
	// Jumps of counters, and the frames that must have been lost.
	Jumps, Lost uint64
	// Impossible are values outside of what the DBC file declares, Absent the
	// values by which the monitor says that it has none, and those that a short
	// frame did not hold.
	Impossible, Absent uint64
	// Sweeps were complete; Incomplete ones lacked a frame.
	Sweeps, Incomplete uint64
	// Sent frames were handed to the carrier.
	Sent uint64
	// Connections were made to the carrier.
	Connections uint64
}

// decoder turns frames into readings. It is pure: time comes with the frames.
//
// A sweep is complete when every required page has come since the last one was:
// the messages of cells, temperatures, current and bleed state, save those that
// the map says to come more slowly than the bench's period. Only a complete
// sweep advances the beat and is seen by readers, so that a reading's values
// belong together. When a page comes a second time before the sweep is complete,
// the sweep is given up: readers see what there is, the beat stands (INV-02: the guard takes that for silence). A page older than its
// age limit reads nothing, and sweeps no longer wait for it: the reading itself
// shows what is missing.
type decoder struct {
	spec     drivers.MonitorSpec
	standard [sffMask + 1]*station
	extended map[uint32]*station
	stations []*station
	pages    []page
	slotPage []int    // the page of each slot
	names    []string // of each slot's channel

	slots  []int32 // cells, temperatures, current, parts of bleed words
	words  []wordPart
	pieces []piece
	partAt [identityParts + 1]int
	parts  [identityParts]identityPart
	self   self

	sweep             uint32
	missing, required int             // pages
	maxAge            drivers.Span    // of required pages
	heard             drivers.Instant // a required page came
	published         drivers.Instant
	began             bool

	// What readers see.
	snap   []int32
	snapAt []drivers.Instant
	beat   int32

	counts  Counts
	notices []string
	quiet   []drivers.Instant // per slot: no notice before
	// The classes of error frames that were told, and until when they stand.
	errorsTold uint32
	errorQuiet drivers.Instant
}

// wordPart is where a slot's bits lie in the reading's bleed words.
type wordPart struct {
	slot, word int
	shift      uint8
}

// piece is what one signal says of the identity.
type piece struct {
	bits
	value uint64
	known bool
}

func newDecoder(m *Map, spec drivers.MonitorSpec) (*decoder, error) {
	d := &decoder{spec: spec, extended: map[uint32]*station{}, sweep: 1, parts: m.identity.parts, self: self{stale: true}}
	return d, d.compile(m)
}

// identityGap is the silence after which the identity must be told anew:
// another monitor may answer then.
const identityGap = 2 * drivers.Second

// frame takes a frame that arrived at an instant. It reports whether readers
// see something new.
func (d *decoder) frame(f *Frame, at drivers.Instant) (news bool) {
	d.counts.Frames++
	if !f.IsData() {
		if f.Flags&ErrorFrame != 0 {
			d.counts.Errors++
			d.errorFrame(f, at)
		} else {
			d.counts.Remote++
		}
		return false
	}
	var st *station
	if f.Flags&Extended != 0 {
		st = d.extended[f.ID]
	} else {
		st = d.standard[f.ID&sffMask]
	}
	if st == nil {
		d.counts.Foreign++
		return false
	}
	little, big := f.words()
	if !d.valid(st, f, little, big) {
		return false
	}
	if st.common >= 0 {
		news = d.take(st.common, f, little, big, at)
	}
	if st.switched {
		value := st.mux.word(little, big)
		for _, i := range st.pages {
			if d.pages[i].value == value {
				return d.take(i, f, little, big, at) || news
			}
		}
	}
	return news
}

// restart begins to wait for every page, after silence or at first.
func (d *decoder) restart(at drivers.Instant) {
	if at.Sub(d.heard) > identityGap {
		d.forget()
	}
	d.began, d.published = true, at
	for i := range d.pages {
		p := &d.pages[i]
		if at.Sub(p.at) > p.age {
			p.at = at
			d.blank(p)
		}
		p.lost = false
	}
	d.sweep++
	d.missing = d.required
}

// forget drops what the monitor said of itself.
func (d *decoder) forget() {
	d.self.stale = true
	for i := range d.pieces {
		d.pieces[i].known = false
	}
}

// blank leaves a page's channels without a reading.
func (d *decoder) blank(p *page) {
	for i := range p.fields {
		d.slots[p.fields[i].slot] = drivers.NoReading
	}
}

// take decodes a page.
func (d *decoder) take(i int, f *Frame, little, big uint64, at drivers.Instant) (news bool) {
	p := &d.pages[i]
	if p.required {
		if !d.began || at.Sub(d.heard) > d.maxAge {
			d.restart(at)
		}
		d.heard = at
		if p.closes && p.sweep == d.sweep || at.Sub(d.published) > d.maxAge {
			d.counts.Incomplete++
			d.publish(at)
			news = true
		}
	}
	for k := range p.fields {
		c := &p.fields[k]
		if f.Len < uint16(c.need) {
			d.slots[c.slot] = drivers.NoReading
			d.counts.Absent++
			d.tell(c, at, f, little, big, absent)
			continue
		}
		if raw, ok := c.raw(little, big); c.simple && ok && raw >= c.lo && raw <= c.hi {
			d.slots[c.slot] = int32(raw*c.mul + c.add)
			continue
		}
		v, what := c.count(c.bits, little, big)
		d.slots[c.slot] = v
		if what != good {
			d.tell(c, at, f, little, big, what)
		}
	}
	for _, t := range p.texts {
		if f.Len >= uint16(t.need) {
			x, v := &d.pieces[t.piece], t.word(little, big)
			if !x.known || x.value != v {
				x.value, x.known, d.self.stale = v, true, true
			}
		}
	}
	p.at, p.came = at, true
	if !p.required {
		return news
	}
	if p.lost {
		p.lost, p.sweep = false, d.sweep // it was not waited for
		return news
	}
	if p.sweep != d.sweep {
		p.sweep = d.sweep
		if d.missing--; d.missing == 0 {
			d.counts.Sweeps++
			d.beat = int32(uint32(d.beat+1) & math.MaxInt32) // wraps to 0
			d.publish(at)
			return true
		}
	}
	return news
}

// publish shows readers what there is and begins the next sweep.
func (d *decoder) publish(at drivers.Instant) {
	copy(d.snap, d.slots)
	d.published = at
	d.sweep++
	d.missing = 0
	for i := range d.pages {
		p := &d.pages[i]
		d.snapAt[i] = p.at
		if p.required {
			p.lost = at.Sub(p.at) > p.age
			if !p.lost {
				d.missing++
			}
		}
	}
}

// never lists messages that should have come and never did.
func (d *decoder) never() string {
	var list []string
	for i := range d.pages {
		p := &d.pages[i]
		if !p.required || p.came {
			continue
		}
		if len(list) == maxNever {
			list = append(list, "...")
			break
		}
		list = append(list, p.of.name)
	}
	if list == nil {
		return "nothing"
	}
	return strings.Join(list, ", ")
}

// maxNever bounds a list of names for people.
const maxNever = 8

// alive says whether the monitor was heard lately.
func (d *decoder) alive(now drivers.Instant) bool {
	return d.began && now.Sub(d.heard) <= d.maxAge
}

// read fills r with what readers see at an instant; what is too old by then
// reads nothing.
func (d *decoder) read(now drivers.Instant, r *drivers.MonitorReading) {
	n, t := d.spec.Cells, d.spec.Temps
	r.Cells, r.Temps = resize(r.Cells, n), resize(r.Temps, t)
	for i := range r.Cells {
		r.Cells[i] = d.slot(i, now)
	}
	for i := range r.Temps {
		r.Temps[i] = d.slot(n+i, now)
	}
	r.Current = d.slot(n+t, now)
	r.Bleeding = resize(r.Bleeding, (n+15)/16)
	clear(r.Bleeding)
	for _, w := range d.words {
		switch v := d.slot(w.slot, now); {
		case v == drivers.NoReading:
			r.Bleeding[w.word] = drivers.NoReading
		case r.Bleeding[w.word] != drivers.NoReading:
			r.Bleeding[w.word] |= v << w.shift
		}
	}
	r.Beat = d.beat
}

func (d *decoder) slot(i int, now drivers.Instant) int32 {
	p := d.slotPage[i]
	if now.Sub(d.snapAt[p]) > d.pages[p].age {
		return drivers.NoReading
	}
	return d.snap[i]
}

func resize(s []int32, n int) []int32 {
	if cap(s) < n {
		return make([]int32, n)
	}
	return s[:n]
}
