package bdf

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// Limits of what a report lists one by one, so that no file makes it endless.
const (
	badMax  = 100
	stepMax = 20_000
)

// stepJump is the relative change of current between two rows that begins a new
// step in a file without step numbers; a taper changes less.
const stepJump = 0.25

// Read reads a Battery Data Format CSV file once, in bounded memory; name
// stands in its messages. An error means that there is no such table at all:
// no header, a required column missing, a reader that fails. Rows that are
// wrong are no error; they are left out and named in the report.
func Read(name string, r io.Reader, options ...Option) (*Report, error) {
	in := newLines(r)
	line, long, err := in.next()
	if errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("%s: the file is empty; a Battery Data Format file begins with a line of labels", name)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if long {
		return nil, fmt.Errorf("%s:1: the first line is longer than %d bytes; it should hold the labels", name, lineMax)
	}
	h, err := parseHeader(name, in.split(line))
	if err != nil {
		return nil, err
	}
	x := &reader{header: h, report: &Report{File: name, Level: gum.Level, Steps: []Step{}, Notes: h.notes}}
	for _, o := range options {
		o(x)
	}
	x.order = order{emit: x.row, bad: x.bad}
	if err := x.read(in); err != nil {
		return nil, fmt.Errorf("%s:%d: %w", name, in.n, err)
	}
	x.finish()
	return x.report, nil
}

type reader struct {
	header *header
	report *Report
	order  order
	cur    build
	open   bool
	ids    string  // the latest step id, to be shared
	high   float64 // greatest magnitude of current so far, A
	last   row

	accuracy Accuracy
	declared bool
	steps    resolution
	tail     tail
}

func (x *reader) read(in *lines) error {
	for {
		line, long, err := in.next()
		if errors.Is(err, io.EOF) {
			x.order.end()
			return nil
		}
		if err != nil {
			return err
		}
		if len(line) == 0 {
			continue // an empty last line is no row
		}
		if long {
			x.bad(in.n, fmt.Sprintf("longer than %d bytes", lineMax))
			continue
		}
		r, bad := x.header.parse(in.split(line), x.ids)
		if bad != "" {
			x.bad(in.n, bad)
			continue
		}
		r.line, x.ids = in.n, r.id
		x.order.push(r)
	}
}

func (x *reader) bad(line int, reason string) {
	p := x.report
	if p.BadRows++; len(p.Bad) < badMax {
		p.Bad = append(p.Bad, Bad{line, reason, fmt.Sprintf("%s:%d: %s", p.File, line, reason)})
	}
}

// row takes a good row in its order.
func (x *reader) row(r row) {
	x.report.Rows++
	if !x.open || x.begins(&r) {
		var before *row
		if x.open {
			before = &x.last
			x.closeStep()
		}
		x.cur.start(r, len(x.report.Steps)+x.report.Unlisted+1, before, x.tail, x.accuracy.Lag, restShare*x.high, x.header.at[colStepIn] < 0 && x.header.at[colStepOut] < 0)
		x.open, x.tail = true, tail{}
	} else {
		x.tail.add(r.v - x.last.v)
		x.steps.add(&r, &x.last)
		x.cur.add(r)
	}
	x.high = max(x.high, math.Abs(r.i))
	x.last = r
}

// begins says whether the row begins a new step: by the file's step numbers,
// by its count of rows within a step, or else by its current.
func (x *reader) begins(r *row) bool {
	h := x.header
	switch {
	case h.at[colStepCount] >= 0 || h.at[colStepID] >= 0:
		return r.id != x.last.id
	case h.at[colRecord] >= 0:
		return r.record <= x.last.record
	}
	rest := 1e-3 * max(x.high, math.Abs(r.i))
	a, b := x.last.i, r.i
	if math.Abs(a) <= rest && math.Abs(b) <= rest {
		return false
	}
	if math.Abs(a) <= rest || math.Abs(b) <= rest || (a < 0) != (b < 0) {
		return true
	}
	return math.Abs(a-b) > stepJump*max(math.Abs(a), math.Abs(b))
}

func (x *reader) closeStep() {
	s := x.cur.close(x.accuracy, x.steps)
	if len(x.report.Steps) < stepMax {
		x.report.Steps = append(x.report.Steps, s)
		return
	}
	x.report.Unlisted++
}

func (x *reader) finish() {
	if x.open {
		x.closeStep()
	}
	p := x.report
	high := 0.0
	for i := range p.Steps {
		high = max(high, math.Abs(p.Steps[i].MeanCurrent))
	}
	for i := range p.Steps {
		p.Steps[i].Kind = p.Steps[i].kind(high)
	}
	x.uncertain()
	p.Pairs = pairs(p.Steps, x.accuracy)
	p.Peukert = peukert(p.Steps)
	if x.header.at[colStepCount] < 0 && x.header.at[colStepID] < 0 && x.header.at[colRecord] < 0 {
		p.Notes = append(p.Notes, "no step column: steps are told apart by the current")
	}
	if !x.declared {
		p.Notes = append(p.Notes, "the instruments' accuracy is not declared: uncertainties hold what the rows tell, and no more")
	}
	if p.Unlisted > 0 {
		p.Notes = append(p.Notes, fmt.Sprintf("%d steps are not listed and not used for efficiencies", p.Unlisted))
	}
}

// restShare is the part of the file's greatest current under which a step's mean is
// called a rest: what instruments and the closing of contactors leave (common
// practice, no source).
const restShare = 5e-3

// kind tells charge, discharge and rest apart, where high is the greatest mean
// current of the file. A rest may begin with the end of the current before it.
func (s *Step) kind(high float64) string {
	rest := restShare * high
	mean := math.Abs(s.MeanCurrent)
	switch {
	case mean <= rest, mean < 0.02*s.high && math.Abs(s.last) <= rest:
		return Rest
	case s.MeanCurrent > 0:
		return Charge
	}
	return Discharge
}

// wholeShare is the least part of the greatest discharge that is called a full one:
// what a high current leaves of a capacity by Peukert's law, and no pulse.
const wholeShare = 0.2

// peukert fits ln t = c - k*ln I over the full discharges: those that moved most of
// what the greatest did, and ended at about the same voltage. Pulses are none.
func peukert(steps []Step) float64 {
	var ends, lnI, lnT []float64
	most := 0.0
	for _, s := range steps {
		if s.Kind == Discharge {
			most = max(most, -s.Charge)
		}
	}
	whole := func(s *Step) bool { return s.Kind == Discharge && -s.Charge >= wholeShare*most }
	for i := range steps {
		if whole(&steps[i]) {
			ends = append(ends, steps[i].EndVoltage)
		}
	}
	if len(ends) < 3 {
		return 0
	}
	slices.Sort(ends)
	median := ends[len(ends)/2]
	for i := range steps {
		s := &steps[i]
		if whole(s) && math.Abs(s.EndVoltage-median) <= sameEnd*math.Abs(median) && s.Seconds > 0 {
			lnI, lnT = append(lnI, math.Log(-s.MeanCurrent)), append(lnT, math.Log(s.Seconds))
		}
	}
	if len(lnI) < 3 || slices.Max(lnI)-slices.Min(lnI) < math.Log(1.2) {
		return 0
	}
	_, slope := stat.LinearRegression(lnI, lnT, nil, false)
	return -slope
}
