package contactor

import (
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Reader collects what a run's frames and lines tell of contactors.
type Reader struct {
	plan                       *machine.Plan
	expected, final, tolerance float64
	link, meter, current       int
	box, supply, load, beat    int
	linkOff                    float64 // declared error of link and meter together, V

	seen   bool
	bits   drivers.Contactors // of the latest frame
	beatAt int32
	last   frame // the latest
	c      *Closing
	start  float64 // link when the precharge contactor closed
	from   drivers.Instant
	points []point
	o      *Opening
	fall   []point

	closings []Closing
	openings []Opening
	trip     string
}

// frame is what matters here of a frame.
type frame struct {
	at                   drivers.Instant
	link, meter, current float64
	off                  bool
}

const (
	negative  = drivers.Contactors(drivers.BoxNegative)
	precharge = drivers.Contactors(drivers.BoxNegative | drivers.BoxPrecharge)
	joined    = drivers.Contactors(drivers.BoxNegative | drivers.BoxPositive)
	every     = drivers.Contactors(drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive)
)

// Plans says whether a plan closes anything.
func Plans(p *machine.Plan) bool { return closing(p) != nil }

func closing(p *machine.Plan) *machine.Switch {
	for i := range p.Code {
		if s := p.Code[i].Switch; s != nil && s.Close {
			return s
		}
	}
	return nil
}

// NewReader returns a reader for a run of the plan.
func NewReader(p *machine.Plan) *Reader {
	l, box := &p.Layout, &p.Bench.Box
	r := &Reader{
		plan: p, link: l.Find(drivers.LinkVoltage), meter: l.Find(drivers.ModuleVoltage), current: l.Find(drivers.ModuleCurrent),
		box: l.Find(drivers.BoxState), supply: l.Find(drivers.SupplyState), load: l.Find(drivers.LoadState), beat: l.Find(drivers.BoxBeat),
		beatAt: drivers.NoReading, closings: []Closing{}, openings: []Opening{},
	}
	res, c := float64(box.Precharge)/1e6, float64(box.LinkNF)/1e9
	r.expected, r.final = res*c, 1
	if rb := float64(box.LinkBleed) / 1e6; rb > 0 {
		r.expected, r.final = c*res*rb/(res+rb), rb/(res+rb)
	}
	if s := closing(p); s != nil {
		r.tolerance = float64(s.TauPerMille) / 1000
	}
	top := int64(p.Series) * int64(p.Absolute.CellMax)
	r.linkOff = float64(box.LinkAcc.At(top)+p.Bench.Meter.VoltageAcc.At(top)) / 1e6
	return r
}

// Line takes the run's next line.
func (r *Reader) Line(line string) {
	if !strings.HasPrefix(line, "record ") || r.trip != "" {
		return
	}
	if a, err := machine.ParseAction(line); err == nil {
		if x := a.(machine.Record); x.Kind == machine.RecordTrip {
			r.trip = x.Text
		}
	}
}

// Frame takes the run's next frame.
func (r *Reader) Frame(f *drivers.Frame) {
	if len(f.Counts) != len(r.plan.Layout.Channels) || f.Counts[r.box] == drivers.NoReading || f.Counts[r.link] == drivers.NoReading {
		return
	}
	if b := f.Counts[r.beat]; b == r.beatAt {
		return // the box has not measured since
	} else {
		r.beatAt = b
	}
	now := frame{
		at: f.At, link: r.volts(f, r.link), meter: r.volts(f, r.meter), current: r.volts(f, r.current),
		off: (f.Counts[r.supply]|f.Counts[r.load])&drivers.PowerOn == 0,
	}
	bits := drivers.Contactors(f.Counts[r.box]) & every
	if r.seen && bits != r.bits {
		r.moved(r.bits, bits, now)
	}
	r.follow(bits, now)
	r.seen, r.bits, r.last = true, bits, now
}

// volts is a channel in volts or amperes.
func (r *Reader) volts(f *drivers.Frame, ch int) float64 {
	return float64(r.plan.Layout.Channels[ch].Scale.Value(f.Counts[ch])) / 1e6
}

// moved takes in what the contactors' feedback shows to have changed.
func (r *Reader) moved(was, is drivers.Contactors, now frame) {
	near := float64(r.plan.Limits.NearZero) / 1e6
	switch {
	case was == 0 && is&negative != 0:
		r.finish()
		b := &r.last
		r.c = &Closing{At: now.at, Article: b.meter, Link: b.link, Off: b.off, Still: math.Abs(b.current) <= near}
		r.points = r.points[:0]
		r.from = 0
	case is == 0 && was&joined == joined:
		r.finish()
		r.o = &Opening{At: now.at, Current: r.last.current, Article: now.meter}
		r.fall = r.fall[:0]
	}
	c := r.c
	if c == nil {
		return
	}
	switch {
	case is == precharge && was == negative:
		r.start, r.from = r.last.link, r.last.at
	case is == every && r.from != 0 && c.Took == 0:
		c.Took = seconds(now.at.Sub(r.from))
		c.Residual = r.last.meter - r.last.link
		r.constant(c)
	case is == joined && was == every:
		c.Joined = true
	}
}

// follow takes in the link between two changes.
func (r *Reader) follow(bits drivers.Contactors, now frame) {
	if c := r.c; c != nil {
		switch {
		case bits == negative:
			c.NegativeRise = max(c.NegativeRise, now.link-c.Link)
		case bits == precharge && r.from != 0 && c.Took == 0:
			r.points = append(r.points, point{seconds(now.at.Sub(r.from)), now.link})
		}
	}
	if o := r.o; o != nil && bits == 0 {
		o.Link, o.After = now.link, seconds(now.at.Sub(o.At))
		r.fall = append(r.fall, point{o.After, now.link})
	}
}

// constant measures a closing's time constant, or says why not.
func (r *Reader) constant(c *Closing) {
	end := r.last.meter * r.final
	way := end - r.start
	c.Energy = float64(r.plan.Bench.Box.LinkNF) / 1e9 / 2 * way * math.Abs(way)
	if way < float64(r.plan.Bench.Box.DifferenceMax)/1e6 {
		c.Note = "the link was near the article's voltage already"
		return
	}
	c.Tau, c.Within, c.Readings = measured(r.points, r.start, end, r.linkOff)
	if c.Tau == 0 {
		c.Note = "fewer than 10 link readings within three time constants: a meter or box that reads faster, or a slower resistor"
	}
}

// finish ends what is under way.
func (r *Reader) finish() {
	if r.c != nil {
		r.closings = append(r.closings, *r.c)
		r.c = nil
	}
	if o := r.o; o != nil {
		apart := 2*r.linkOff + 4*float64(r.plan.Bench.Box.LinkStep)/1e6
		o.Fell = o.Article-o.Link > apart
		r.bled(o)
		r.openings = append(r.openings, *o)
		r.o = nil
	}
}

// bled measures the link's own time constant from how it came down, by a straight
// line through its logarithm; what a supply had lifted it to before it was off
// does not matter to it.
func (r *Reader) bled(o *Opening) {
	var n, st, sy, stt, sty float64
	for _, p := range r.fall {
		if p.v <= 0 || p.t < 0.5 { // contacts and outputs may still move
			continue
		}
		y := math.Log(p.v)
		n, st, sy, stt, sty = n+1, st+p.t, sy+y, stt+p.t*p.t, sty+p.t*y
	}
	d := n*stt - st*st
	if n < readingsLeast || d <= 0 {
		return
	}
	slope := (n*sty - st*sy) / d
	if slope >= 0 || o.Link <= 0 {
		return
	}
	// What the link fell by must be more than what its readings may be off.
	if first := r.fall[0].v; first-o.Link < 4*r.linkOff {
		return
	}
	o.Tau = -1 / slope
	o.Touch = max(0, o.After+o.Tau*math.Log(o.Link/touchSafe))
}

func seconds(d drivers.Span) float64 { return float64(d) / float64(drivers.Second) }
