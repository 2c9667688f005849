package qualify

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// flow is what went one way: charge in A.s, energy in J, both positive, the
// time in s and the integral of voltage over it in V.s.
type flow struct {
	q, e, t, vt float64
	jumps       jumps
}

func (f *flow) add(g flow) {
	f.q += g.q
	f.e += g.e
	f.t += g.t
	f.vt += g.vt
	f.jumps.add(g.jumps)
}

// run is one pass of one step.
type run struct {
	index, pass  int
	spec         *machine.Step
	drive        *machine.Drive // the step's first, nil for none
	begun, ended drivers.Instant

	in, out flow
	jump    jump
	blind   float64 // s with current but without the meter's voltage

	started      bool
	vStart, vEnd float64
	tempStart    []float64
	rise         float64

	// extreme is the highest cell voltage of a charge or the lowest of a
	// discharge while current flows.
	sign        float64 // +1 charging, -1 discharging, 0 neither
	extreme     float64
	extremeCell int
	low         float64 // A, the least magnitude of its current
	target      float64 // where the step's cells should end, 0 for none
	slope       slope

	gap     drivers.Span
	flaws   []string
	endText string
	endCell int     // from one; 0 unknown
	margin  float64 // V to the next cell
	next    int     // that cell, from one
}

func newRun(plan *machine.Plan, r machine.Record, at drivers.Instant, s *scanner) *run {
	n := &run{index: r.Step, pass: r.Pass, spec: &plan.Steps[r.Step], begun: at, extremeCell: -1, low: math.Inf(1)}
	for i := range plan.Code {
		if c := &plan.Code[i]; c.Step == r.Step && c.Drive != nil {
			n.drive = c.Drive
			break
		}
	}
	if d := n.drive; d != nil && n.spec.Kind != "pulse" {
		n.sign = 1
		if d.Direction == machine.Discharging {
			n.sign = -1
		}
		n.target = float64(max(d.CellEnd, d.Hold)) * 1e-6
	}
	n.tempStart = make([]float64, s.temps)
	n.slope.init(s.cells)
	return n
}

// flaw notes why nothing may be concluded from the step.
func (r *run) flaw(why string) {
	if !slices.Contains(r.flaws, why) {
		r.flaws = append(r.flaws, why)
	}
}

// reason says why figures from the step are unproven, empty where they are not.
func (r *run) reason() string {
	parts := r.flaws
	if r.gap > 0 {
		parts = append(slices.Clone(parts), fmt.Sprintf("frames are missing for %.3g s", seconds(r.gap)))
	}
	return strings.Join(parts, "; ")
}

func seconds(d drivers.Span) float64 { return float64(d) * 1e-6 }

// first takes the latest reading at the step's begin as where it starts from.
func (r *run) first(s *scanner, now *reading, counts []int32) {
	r.started = true
	if now.vOK {
		r.vStart = now.v
	}
	for i := range r.tempStart {
		pos := s.layout.Temp(i)
		r.tempStart[i] = -1
		if counts[pos] != drivers.NoReading {
			r.tempStart[i] = s.value(pos, counts[pos])
		}
	}
}

// frame looks at the cells and sensors of one frame.
func (r *run) frame(s *scanner, now *reading, counts []int32) {
	if !r.started {
		r.first(s, now, counts)
	}
	if now.vOK {
		r.vEnd = now.v
	}
	for i, t0 := range r.tempStart {
		pos := s.cells + i
		if c := counts[pos]; c != drivers.NoReading && t0 >= 0 {
			r.rise = max(r.rise, s.value(pos, c)-t0)
		}
	}
	r.low = min(r.low, math.Abs(now.i))
	if r.sign == 0 || now.i*r.sign <= s.near {
		return
	}
	cell, best := -1, 0.0
	for i := range s.cells {
		c := counts[i]
		if c == drivers.NoReading {
			continue
		}
		if v := s.value(i, c) * r.sign; cell < 0 || v > best {
			cell, best = i, v
		}
	}
	if cell < 0 {
		return
	}
	if best *= r.sign; r.extremeCell < 0 || best*r.sign > r.extreme*r.sign {
		r.extreme, r.extremeCell = best, cell
	}
	r.slope.frame(r, now, counts, best)
}

// add integrates between two readings. The trapezoid is exact for what is
// linear in between; energy integrates the product V*I, never mean times mean.
func (r *run) add(s *scanner, p, q *reading, missing drivers.Span) {
	if r == nil || q.at <= p.at {
		return
	}
	r.gap = max(r.gap, missing)
	r.jumped(s, p, q)
	if !s.flows(p.i) && !s.flows(q.i) {
		return // what a shunt reads at rest is its offset
	}
	dt := seconds(q.at.Sub(p.at))
	charge := (p.i + q.i) / 2 * dt
	f := flow{q: charge, t: dt}
	if p.vOK && q.vOK {
		// The meter reads later than the shunt's averaging, by s.lead: its voltage is
		// brought back by what it moved in between.
		f.e = (p.v*p.i+q.v*q.i)/2*dt - s.lead*(p.i+q.i)/2*(q.v-p.v)
		f.vt = (p.v + q.v) / 2 * dt
	} else {
		r.blind += dt
	}
	if charge >= 0 {
		r.in.add(f)
		return
	}
	f.q, f.e = -f.q, -f.e
	r.out.add(f)
}

// close finds the cell that stood highest or lowest when current last flowed.
func (r *run) close(a *Analyser) {
	r.landed(&a.scan)
	if r.sign == 0 || r.extremeCell < 0 {
		return
	}
	r.endCell = r.extremeCell + 1
	sum, n := make([]float64, a.scan.cells), 0
	for k := 0; k < a.ring.len() && n < endRows; k++ {
		if at := a.ring.when(k); at > r.ended || at < r.begun {
			continue
		}
		row := a.ring.row(k)
		if i := a.scan.value(a.scan.current, row[a.scan.current]); i*r.sign <= a.scan.near {
			continue
		}
		if slices.Contains(row[:a.scan.cells], drivers.NoReading) {
			continue
		}
		for c := range sum {
			sum[c] += a.scan.value(c, row[c]) * r.sign
		}
		n++
	}
	if n == 0 {
		return
	}
	first, second := -1, -1
	for c, v := range sum {
		switch {
		case first < 0 || v > sum[first]:
			first, second = c, first
		case second < 0 || v > sum[second]:
			second = c
		}
	}
	r.endCell = first + 1
	if second >= 0 {
		r.next, r.margin = second+1, (sum[first]-sum[second])/float64(n)
	}
}

// endRows is over how many frames cells are compared at a step's end: enough to
// calm noise, few enough for the steep end of a discharge.
const endRows = 4

// endKind is how a drive ended.
type endKind uint8

const (
	endOther endKind = iota
	endCell
	endTaper
)

// how tells how the step ended: by the machine's own words, and where these are
// unknown by what the cells did.
func (r *run) how(s *scanner) endKind {
	switch {
	case strings.Contains(r.endText, "no current fits under the hold"):
		return endTaper // it was full to begin with
	case r.drive == nil || r.extremeCell < 0:
		return endOther
	case strings.Contains(r.endText, "end voltage"):
		return endCell
	case strings.Contains(r.endText, "taper"):
		return endTaper
	case r.endText != "":
		return endOther
	case r.drive.CellEnd > 0 && (r.extreme-float64(r.drive.CellEnd)*1e-6)*r.sign >= -s.mul[r.extremeCell]:
		return endCell
	}
	return endOther
}

// step is the run as the figures list it.
func (r *run) step() Step {
	q, e := r.in.q-r.out.q, r.in.e-r.out.e
	t := r.in.t + r.out.t
	st := Step{
		Step: r.index, Pass: r.pass, Label: r.spec.Label, Kind: r.spec.Kind, Use: r.spec.Use,
		StartUS: int64(r.begun), Seconds: seconds(r.ended.Sub(r.begun)), FlowSeconds: t,
		Charge: q / 3600, Energy: e / 3600, StartVoltage: r.vStart, EndVoltage: r.vEnd,
		End: r.endText, EndCell: r.endCell, TempRise: r.rise, Status: OK,
	}
	if t > 0 {
		st.MeanCurrent = q / t
	}
	if st.Reason = r.reason(); st.Reason != "" {
		st.Status = Unproven
	} else if r.blind > 0 {
		st.Status, st.Reason = Unproven, r.blindReason()
	}
	return st
}

// blindReason says why the energy, and only that, is unproven.
func (r *run) blindReason() string {
	if r.blind == 0 {
		return ""
	}
	return fmt.Sprintf("no module voltage for %.3g s: energy is unproven", r.blind)
}

// slopeSpan is how far apart the points of a slope lie at least.
const slopeSpan = 30 * drivers.Second

// slope watches how steeply each cell's voltage moves with charge just before
// the step reaches its target, to know what an error of the tap is worth in
// charge.
type slope struct {
	at      [2]drivers.Instant
	q       [2]float64
	counts  [2][]int32
	n       int
	reached bool
	qEnd    float64
	vEnd    float64
	cellEnd int
}

func (s *slope) init(cells int) {
	s.counts[0], s.counts[1] = make([]int32, cells), make([]int32, cells)
	s.cellEnd = -1
}

func (s *slope) frame(r *run, now *reading, counts []int32, best float64) {
	if s.reached || r.target == 0 {
		return
	}
	q := r.in.q + r.out.q
	s.qEnd, s.vEnd, s.cellEnd = q, r.extreme, r.extremeCell
	if (best-r.target)*r.sign >= -1e-3 {
		s.reached = true
		return
	}
	if s.n > 0 && now.at.Sub(s.at[(s.n-1)%2]) < slopeSpan {
		return
	}
	k := s.n % 2
	s.at[k], s.q[k] = now.at, q
	copy(s.counts[k], counts)
	s.n++
}

// chargePerVolt is dQ/dV in A.s/V of the cell that reached the target, averaged
// over the last half minute or more; 0 where unknown. Ends are convex: the
// average is flatter than the end itself and so errs to the greater charge.
func (s *slope) chargePerVolt(sc *scanner) float64 {
	if !s.reached || s.n == 0 || s.cellEnd < 0 {
		return 0
	}
	k := (s.n - 1) % 2
	if s.n > 1 {
		k = s.n % 2 // the older one
	}
	c := s.counts[k][s.cellEnd]
	if c == drivers.NoReading {
		return 0
	}
	dv := s.vEnd - sc.value(s.cellEnd, c)
	if dv < 0 {
		dv = -dv
	}
	if dv < 2*sc.mul[s.cellEnd] {
		return 0
	}
	return (s.qEnd - s.q[k]) / dv
}
