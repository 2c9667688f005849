package firstcheck

import (
	"errors"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// Rest judges what the monitor's taps, the meter and the temperature sensors
// read while nothing flows: frames go in, in their order, findings come out.
type Rest struct {
	a      *Article
	layout *drivers.Layout
	// TempBand is how far the temperatures may differ after a soak.
	TempBand drivers.Millikelvins
	// NearZero is what counts as no current.
	NearZero drivers.Microamps
	// ByHand is what a hand meter read at cells, from 0, on the module itself:
	// it proves where that cell's channel is wired to.
	ByHand map[int]drivers.Microvolts
	// HandAccuracy is the hand meter's.
	HandAccuracy drivers.Accuracy

	frames int
	seen   []level
}

// level is what one channel read over a length of time.
type level struct {
	n, missing int
	sum        float64
}

func (l *level) mean() float64 {
	if l.n == 0 {
		return math.NaN()
	}
	return l.sum / float64(l.n)
}

// restLeast is how many frames a judgement takes.
const restLeast = 10

// NewRest returns a judge of frames at rest.
func NewRest(a *Article, layout *drivers.Layout) (*Rest, error) {
	switch {
	case layout.Cells() != a.Series:
		return nil, fmt.Errorf("first check: the monitor reads %d cells, the module has %d in series", layout.Cells(), a.Series)
	case layout.Find(drivers.ModuleVoltage) < 0:
		return nil, errors.New("first check: no meter across the terminals; one that is independent of the taps would be right")
	}
	return &Rest{a: a, layout: layout, TempBand: 2 * drivers.Kelvin, NearZero: drivers.Ampere / 5, seen: make([]level, len(layout.Channels))}, nil
}

// Frame takes one reading.
func (r *Rest) Frame(f *drivers.Frame) {
	r.frames++
	for at := range r.seen {
		l := &r.seen[at]
		if c := f.Counts[at]; c != drivers.NoReading {
			l.n++
			l.sum += float64(r.layout.Channels[at].Scale.Value(c))
		} else {
			l.missing++
		}
	}
}

// cell is a cell's mean, in uV.
func (r *Rest) cell(k int) drivers.Microvolts {
	return drivers.Microvolts(math.Round(r.seen[r.layout.Cell(k)].mean()))
}

// accuracy is a channel's declared error at a value, with half a step.
func accuracy(c drivers.Channel, v int64) int64 {
	return c.Accuracy.At(v) + c.Scale.Num/c.Scale.Den/2 + 1
}

func (r *Rest) cellError(k int) drivers.Microvolts {
	return drivers.Microvolts(accuracy(r.layout.Channels[r.layout.Cell(k)], int64(r.cell(k))))
}

// Findings judges what was read.
func (r *Rest) Findings() []Finding {
	if r.frames < restLeast {
		return []Finding{{TapSilent, Unproven, nil, fmt.Sprintf("only %d frames at rest; %d would be right", r.frames, restLeast), "Let the bench read on and check again."}}
	}
	list := r.silent()
	if at := r.layout.Find(drivers.ModuleCurrent); at >= 0 {
		if i := drivers.Microamps(r.seen[at].mean()); abs(i) > r.NearZero {
			list = append(list, Finding{CurrentAtRest, Stop, nil, fmt.Sprintf("%v flow at rest", i),
				"Open the circuit by hand and look for a path outside the contactors, or have the current sensor's zero set."})
		}
	}
	list = append(list, r.temperatures()...)
	if len(list) > 0 {
		return list
	}
	if list = r.taps(); len(list) > 0 {
		return list
	}
	return append(r.sums(), r.positions()...)
}

// silent names channels that gave no reading.
func (r *Rest) silent() (list []Finding) {
	var none, temps []int
	for k := range r.a.Series {
		if r.seen[r.layout.Cell(k)].missing*10 > r.frames {
			none = append(none, k)
		}
	}
	for j := range r.layout.Temps() {
		if r.seen[r.layout.Temp(j)].missing*10 > r.frames {
			temps = append(temps, j)
		}
	}
	if len(none) > 0 {
		list = append(list, Finding{TapSilent, Stop, none, plural(none) + " give no reading",
			"Unplug the monitor, look at those sense wires and their fuses, and check again. " + noTouch})
	}
	if len(temps) > 0 {
		list = append(list, Finding{TempSilent, Stop, nil, fmt.Sprintf("temperature sensors %s give no reading", cells(temps)),
			"Look for an open or shorted sensor wire and check again."})
	}
	if at := r.layout.Find(drivers.ModuleVoltage); r.seen[at].missing*10 > r.frames {
		list = append(list, Finding{NoContact, Stop, nil, "the meter across the terminals gives no reading", "Look at the meter and its leads. " + noTouch})
	}
	return list
}

func (r *Rest) temperatures() []Finding {
	low, high, from, to := math.Inf(1), math.Inf(-1), 0, 0
	for j := range r.layout.Temps() {
		v := r.seen[r.layout.Temp(j)].mean()
		if v < low {
			low, from = v, j
		}
		if v > high {
			high, to = v, j
		}
	}
	if high-low <= float64(r.TempBand) {
		return nil
	}
	return []Finding{{TempBand, Stop, nil,
		fmt.Sprintf("sensor %d reads %.1f degC and sensor %d %.1f degC; after a soak they may differ by %v", from+1, (low-273150)/1e3, to+1, (high-273150)/1e3, r.TempBand),
		"Let the module soak at the room's temperature for some hours. If they still differ, a sensor is loose, or a cell warms by itself: then keep away and isolate the module."}}
}

// middle is the median of the cells, in uV.
func (r *Rest) middle() drivers.Microvolts {
	v := make([]float64, r.a.Series)
	for k := range v {
		v[k] = float64(r.cell(k))
	}
	return drivers.Microvolts(median(v))
}

// taps names wires that are not where they should be: each reading has to be
// positive, and one group's.
func (r *Rest) taps() (list []Finding) {
	m := r.middle()
	var negative, low []int
	near := func(v, want drivers.Microvolts) bool { return abs(v-want) < m/4 }
	rewire := "Unplug the monitor before anything else, then put the sense wires right and measure each pin against its neighbour with a hand meter before it is plugged in again. " + noTouch
	for k := 0; k < r.a.Series; k++ {
		v := r.cell(k)
		switch {
		case v < -r.cellError(k):
			negative = append(negative, k)
		case near(v, 0) && k+1 < r.a.Series && near(r.cell(k+1), 2*m), near(v, 2*m) && k+1 < r.a.Series && near(r.cell(k+1), 0):
			pair := []int{k, k + 1}
			list = append(list, Finding{TapMissing, Stop, pair, fmt.Sprintf("cells %s read %v and %v: the wire between them has no contact", cells(pair), v, r.cell(k+1)), rewire})
			k++
		case near(v, 0):
			list = append(list, r.zeroTap(k, rewire))
		case v < r.a.NoCharge:
			low = append(low, k)
		case near(v, 2*m):
			list = append(list, Finding{TapMissing, Stop, []int{k}, fmt.Sprintf("cell %s reads %v, two groups' voltage: a sense wire was left out", cells([]int{k}), v), rewire})
		case v > r.a.CellMax+r.cellError(k):
			list = append(list, Finding{OverVoltage, Danger, []int{k}, fmt.Sprintf("cell %s reads %v, more than the maker's %v", cells([]int{k}), v, r.a.CellMax),
				"Measure it with a hand meter. If it is true, keep away and let the person responsible decide. Do not charge it."})
		}
	}
	if len(negative) > 0 {
		list = append(list, Finding{TapNegative, Stop, negative, plural(negative) + " read negative: a reversed group, or two sense wires exchanged", rewire})
	}
	if len(low) > 0 {
		var read []drivers.Microvolts
		for k := range r.a.Series {
			read = append(read, r.cell(k))
		}
		list = append(list, neverCharge(r.a, low, readings(read, low)))
	}
	return list
}

// zeroTap is a channel at 0 V whose neighbours are as they should be: either two
// wires sit on one joint, and the meter reads as many groups as the others add
// up to, with one more that nobody reads; or the group itself is at 0 V.
func (r *Rest) zeroTap(k int, rewire string) Finding {
	sum, _ := r.sum()
	if meter := drivers.Microvolts(r.seen[r.layout.Find(drivers.ModuleVoltage)].mean()); meter-sum > r.middle()/2 {
		return Finding{TapDoubled, Stop, []int{k},
			fmt.Sprintf("cell %s reads %v and the meter %v more than the taps' sum: two sense wires sit on one joint", cells([]int{k}), r.cell(k), meter-sum), rewire}
	}
	h := Hand{Groups: make([]drivers.Microvolts, r.a.Series)}
	h.Groups[k] = r.cell(k)
	return deadGroups(r.a, []int{k}, &h)
}

// sum adds the taps up; within is the error that is declared for that.
func (r *Rest) sum() (sum, within drivers.Microvolts) {
	for k := range r.a.Series {
		sum += r.cell(k)
		within += r.cellError(k)
	}
	return sum, within
}

// sums compares the taps with the meter.
func (r *Rest) sums() []Finding {
	sum, within := r.sum()
	at := r.layout.Find(drivers.ModuleVoltage)
	meter := drivers.Microvolts(math.Round(r.seen[at].mean()))
	within += drivers.Microvolts(accuracy(r.layout.Channels[at], int64(meter)))
	read := fmt.Sprintf("the taps add up to %v, the meter reads %v; they may differ by %v", sum, meter, within)
	m := r.middle()
	switch d := meter - sum; {
	case abs(meter+sum) <= within:
		return []Finding{{MeterReversed, Stop, nil, read + ": the meter's leads are exchanged", "Exchange the meter's leads and check again. " + noTouch}}
	case abs(d) <= within:
		return []Finding{{TapsFit, Good, nil, read, "Go on."}}
	case abs(d-m) <= within+m/50:
		return []Finding{{TapMissing, Stop, nil, read + ": one group more lies between the terminals than the taps see",
			"Compare the module with its file, and each sense wire with the wiring list, with the monitor unplugged. " + noTouch}}
	case abs(d+m) <= within+m/50:
		return []Finding{{TapDoubled, Stop, nil, read + ": the taps see one group more than lies between the terminals",
			"Look where the meter's leads sit and whether a tap is wired twice, with the monitor unplugged. " + noTouch}}
	}
	return []Finding{{SumOff, Stop, nil, read,
		"A tap or the meter reads wrong, or a joint has no contact: measure each group and the total with a hand meter and compare. " + noTouch}}
}

// positions says what is known of where the channels are wired to: readings that
// are positive and single prove their order within a monitor; which is the first
// only a hand meter at a named cell proves, where the siblings read otherwise.
func (r *Rest) positions() (list []Finding) {
	for k, v := range r.ByHand {
		if k < 0 || k >= r.a.Series {
			continue
		}
		within := func(j int) bool {
			return abs(r.cell(j)-v) <= r.cellError(j)+drivers.Microvolts(r.HandAccuracy.At(int64(v)))
		}
		alike := 0
		for j := range r.a.Series {
			if within(j) {
				alike++
			}
		}
		switch {
		case !within(k):
			list = append(list, Finding{PositionWrong, Stop, []int{k}, fmt.Sprintf("cell %s reads %v, the hand meter %v there", cells([]int{k}), r.cell(k), v),
				"The channel is wired to another cell, or reads wrong: compare the sense wires with the wiring list, with the monitor unplugged. " + noTouch})
		case alike == 1:
			list = append(list, Finding{PositionProven, Good, []int{k}, fmt.Sprintf("cell %s alone reads what the hand meter reads there, %v", cells([]int{k}), v), "Go on."})
		}
	}
	if len(list) == 0 {
		list = append(list, Finding{PositionOpen, Good, nil, "each reading is positive and single, so the order within the monitor is right; which physical cell is the first stays unproven",
			"To prove it, bring one cell apart from its siblings (a known resistor across it, or a bleed), and give what a hand meter reads there with --at."})
	}
	return list
}
