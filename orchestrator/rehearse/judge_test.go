package rehearse

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// courtroom is a judge over a bench that no loop runs: each test plays a loop
// that does wrong.
type courtroom struct {
	t *testing.T
	*witness
	frame drivers.Frame
}

func newCourtroom(t *testing.T) *courtroom {
	twin := quick(t)
	c := twin.Plain(1)
	c.Config.Sensing = virtual.Sensing{Ideal: true}
	rig, err := virtual.New(c.Config)
	require.NoError(t, err)
	w := &witness{t: twin, c: c, rig: rig, single: true, shelf: &shelf{energised: true}}
	w.shelf.w = w
	rig.Observe(w)
	w.begins()
	w.starts()
	return &courtroom{t: t, witness: w}
}

// pass lets time pass frame by frame; spoil may change what the loop is given,
// and says whether it is given anything.
func (r *courtroom) pass(d drivers.Span, spoil func(*drivers.Frame) bool) {
	for until := r.rig.Now().Add(d); r.rig.Now() < until; {
		r.rig.Advance(r.rig.Next())
		ok := r.rig.Frame(&r.frame)
		r.turn()
		if ok && (spoil == nil || spoil(&r.frame)) {
			r.witness.frame(&r.frame)
		}
	}
}

// arms is what a good loop does before it energises.
func (r *courtroom) arms() {
	p := r.c.plan
	r.read[virtual.DeviceSupply], r.read[virtual.DeviceLoad] = p.SupplyArm, p.LoadArm
	r.pass(p.Ready.Settle+drivers.Second, nil)
}

func (r *courtroom) closes(c drivers.Contactors) {
	r.wire(operation{device: virtual.DeviceBox, on: c != 0, halt: c == 0, closed: c})
	r.rig.Plant().Switch(plant.Contacts{
		Negative: c&drivers.BoxNegative != 0, Precharge: c&drivers.BoxPrecharge != 0, Positive: c&drivers.BoxPositive != 0,
	})
	r.Stepped(r.rig)
	r.pass(drivers.Second, nil)
}

// connects closes as a good loop does.
func (r *courtroom) connects() {
	r.arms()
	r.closes(drivers.BoxNegative)
	r.closes(drivers.BoxNegative | drivers.BoxPrecharge)
	r.closes(drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive)
	r.closes(drivers.BoxNegative | drivers.BoxPositive)
}

// charges lets the supply give a current, as the wires and the truth have it.
func (r *courtroom) charges(i drivers.Microamps) {
	r.wire(operation{device: virtual.DeviceSupply, on: i > 0, halt: i == 0, current: i})
	if i == 0 {
		r.wire(operation{device: virtual.DeviceLoad, halt: true})
	}
	r.rig.Plant().SetSupply(plant.Source{Current: float64(i) / 1e6, Voltage: 60})
}

// count makes a channel of the frames read a value.
func (r *courtroom) count(k drivers.Kind, v int64) func(*drivers.Frame) bool {
	l := &r.c.plan.Layout
	at := l.Find(k)
	return func(f *drivers.Frame) bool {
		f.Counts[at] = l.Channels[at].Scale.CountAtOrBelow(v)
		return true
	}
}

func (r *courtroom) missing(k drivers.Kind) func(*drivers.Frame) bool {
	at := r.c.plan.Layout.Find(k)
	return func(f *drivers.Frame) bool { f.Counts[at] = drivers.NoReading; return true }
}

const amps3 = 3 * drivers.Ampere

// Each invariant that the judge holds can be seen broken, and a good loop breaks
// none of them.
func TestJudgeSeesEachInvariantBroken(t *testing.T) {
	none := func(f *drivers.Frame) bool { return false }
	for _, x := range []struct {
		inv  int
		says string // empty: a good loop
		do   func(r *courtroom)
	}{
		{0, "", func(r *courtroom) {
			r.connects()
			r.charges(amps3)
			r.pass(2*drivers.Second, nil)
			r.charges(0)
			r.pass(drivers.Second, nil)
			r.closes(0)
		}},
		{1, "the load gave", func(r *courtroom) {
			r.connects()
			r.rig.Plant().SetLoad(plant.Source{Current: 3})
			r.charges(amps3)
		}},
		{1, "true current in supply", func(r *courtroom) {
			r.connects()
			r.charges(amps3)
			r.rig.Plant().SetLoad(plant.Source{Current: 2})
			r.pass(drivers.Second, nil)
		}},
		{2, "missing", func(r *courtroom) { r.connects(); r.pass(drivers.Second, r.missing(drivers.CellVoltage)) }},
		{2, "missing", func(r *courtroom) { r.connects(); r.pass(3*drivers.Second, r.missing(drivers.Temperature)) }},
		{2, "missing", func(r *courtroom) { r.connects(); r.pass(drivers.Second, r.missing(drivers.ModuleCurrent)) }},
		{2, "stale", func(r *courtroom) {
			r.connects()
			r.pass(drivers.Second, r.count(drivers.MonitorBeat, 7))
		}},
		{2, "stale", func(r *courtroom) {
			r.connects()
			r.pass(drivers.Second, func(f *drivers.Frame) bool { f.At = r.data.stamp; return true })
		}},
		{2, "clock", func(r *courtroom) {
			r.connects()
			r.pass(drivers.Second, func(f *drivers.Frame) bool { f.At += 600_000; return true })
		}},
		{2, "no frame for", func(r *courtroom) { r.connects(); r.pass(drivers.Second, none) }},
		{3, "cell_01 reads", func(r *courtroom) { r.connects(); r.pass(drivers.Second, r.count(drivers.CellVoltage, 3_710_000)) }},
		{3, "temperature_1 reads", func(r *courtroom) { r.connects(); r.pass(3*drivers.Second, r.count(drivers.Temperature, 320_000)) }},
		{3, "the shunt reads", func(r *courtroom) { r.connects(); r.pass(drivers.Second, r.count(drivers.ModuleCurrent, 4_300_000)) }},
		{3, "emergency stop", func(r *courtroom) {
			r.connects()
			r.pass(drivers.Second, r.count(drivers.BoxState, drivers.BoxEmergencyStop))
		}},
		{3, "before supply and load were told", func(r *courtroom) {
			r.connects()
			r.charges(amps3)
			r.trip(r.rig.Now(), "record", "cell_high: too high")
		}},
		{3, "had not been told to open", func(r *courtroom) {
			r.connects()
			r.charges(0)
			r.trip(r.rig.Now(), "record", "cell_high: too high")
			r.pass(drivers.Second, nil)
		}},
		{4, "the latest halt is", func(r *courtroom) {
			r.connects()
			r.charges(amps3)
			r.charges(0)
			r.trip(r.rig.Now(), "record", "cell_high: too high")
			r.rig.Plant().SetSupply(plant.Source{Current: 0.5, Voltage: 60})
			r.pass(12*drivers.Second, nil)
		}},
		{4, "said to be proven zero", func(r *courtroom) { r.connects(); r.charges(amps3); r.pass(drivers.Second, nil); r.clear(r.rig.Now()) }},
		{5, "mark was taken away", func(r *courtroom) { r.connects(); r.charges(amps3); r.pass(drivers.Second, nil); r.markedSafe() }},
		{5, "before the mark was durable", func(r *courtroom) { r.shelf.energised = false; r.connects() }},
		{5, "nobody acknowledged", func(r *courtroom) {
			r.arms()
			r.trip(r.rig.Now(), "record", "cell_high: too high")
			r.closes(drivers.BoxNegative)
		}},
		{5, "nobody acknowledged", func(r *courtroom) { r.arms(); r.latch(); r.closes(drivers.BoxNegative) }},
		{6, "nobody started a run", func(r *courtroom) { r.begins(); r.arms(); r.closes(drivers.BoxNegative) }},
		{7, "after the store had failed", func(r *courtroom) {
			r.connects()
			r.storeFailed = r.rig.Now()
			r.pass(2*drivers.Second, nil)
			r.charges(amps3)
		}},
		{8, "in good order at no time", func(r *courtroom) {
			r.arms()
			r.pass(drivers.Second, r.count(drivers.ModuleVoltage, 41_000_000))
			r.closes(drivers.BoxNegative)
		}},
		{8, "in good order for", func(r *courtroom) {
			r.read[virtual.DeviceSupply], r.read[virtual.DeviceLoad] = r.c.plan.SupplyArm, r.c.plan.LoadArm
			r.pass(drivers.Second, nil)
			r.closes(drivers.BoxNegative)
		}},
		{8, "the load had read back", func(r *courtroom) {
			r.arms()
			p := r.c.plan.LoadArm
			p.CurrentMax++
			r.read[virtual.DeviceLoad] = p
			r.closes(drivers.BoxNegative)
		}},
		{8, "in good order", func(r *courtroom) { // somebody was asked to act meanwhile
			r.connects()
			r.closes(0)
			r.notify(machine.Notify{Severity: machine.SeverityAsk})
			r.pass(10*drivers.Second, r.count(drivers.BoxState, drivers.BoxNegative))
			r.closes(drivers.BoxNegative)
		}},
		{9, "closed over", func(r *courtroom) { r.arms(); r.closes(drivers.BoxNegative | drivers.BoxPositive) }},
		{9, "without a positive reading", func(r *courtroom) {
			r.arms()
			r.pass(drivers.Second, r.count(drivers.ModuleVoltage, -41_000_000))
			r.closes(drivers.BoxNegative | drivers.BoxPrecharge)
		}},
		{9, "without a positive reading", func(r *courtroom) {
			r.arms()
			r.pass(drivers.Second, r.count(drivers.MeterBeat, 7))
			r.closes(drivers.BoxNegative | drivers.BoxPrecharge)
		}},
		{9, "opened at", func(r *courtroom) { r.connects(); r.charges(amps3); r.pass(drivers.Second, nil); r.closes(0) }},
		{10, "supply was told", func(r *courtroom) { r.connects(); r.charges(5 * drivers.Ampere) }},
		{10, "a cell at", func(r *courtroom) {
			r.connects()
			r.rig.Plant().Module().SetSoC(3, -0.3)
			r.charges(amps3)
			r.pass(5*drivers.Second, nil)
		}},
		{11, "C have flowed", func(r *courtroom) {
			r.connects()
			r.record(machine.Record{Kind: machine.RecordStep, Step: 9}) // a pulse of 2 s
			r.charges(amps3)
			r.pass(6*drivers.Second, nil)
		}},
		{11, "stood for", func(r *courtroom) {
			r.connects()
			r.record(machine.Record{Kind: machine.RecordStep, Step: 8}) // a rest of 1 s
			r.pass(3*drivers.Minute, nil)
		}},
		{13, "after a person's stop", func(r *courtroom) { r.connects(); r.stops(); r.charges(amps3) }},
		{13, "A flow", func(r *courtroom) { r.connects(); r.charges(amps3); r.stops(); r.pass(3*drivers.Second, nil) }},
		{13, "nobody had told it to", func(r *courtroom) {
			r.rig.Plant().Switch(plant.Contacts{Precharge: true})
			r.pass(drivers.Second, nil)
		}},
		{15, "charged with a true cell", func(r *courtroom) {
			r.connects()
			r.rig.Plant().Module().SetKelvin(5, 240)
			r.charges(amps3)
			r.pass(3*drivers.Second, nil)
		}},
		{15, "paused 21 times", func(r *courtroom) {
			for range 21 {
				r.record(machine.Record{Kind: machine.RecordPause, Text: "temperature 1 is warm"})
				r.record(machine.Record{Kind: machine.RecordResume, Text: "by somebody"})
			}
		}},
		{15, "soft pause was over after", func(r *courtroom) {
			r.record(machine.Record{Kind: machine.RecordPause, Text: "temperature 1 is warm"})
			r.pass(30*drivers.Second, nil)
			r.record(machine.Record{Kind: machine.RecordResume, Text: "the soft limit's cause is gone"})
		}},
		{15, "went on after a soft pause", func(r *courtroom) {
			r.record(machine.Record{Kind: machine.RecordPause, Text: "temperature 1 is warm"})
			r.pass(2*drivers.Minute, nil)
			r.rig.Plant().Module().SetKelvin(1, 315)
			r.record(machine.Record{Kind: machine.RecordResume, Text: "the soft limit's cause is gone"})
		}},
		{16, "rested behind closed contactors", func(r *courtroom) { r.connects(); r.pass(11*drivers.Minute, nil) }},
		{16, "asked to act", func(r *courtroom) { r.connects(); r.notify(machine.Notify{Severity: machine.SeverityAsk}) }},
		{16, "nobody was told", func(r *courtroom) {
			r.finished(bench.Ending{Outcome: machine.OutcomeDone})
			r.pass(drivers.Second, r.missing(drivers.CellVoltage))
		}},
		{16, "nobody was told", func(r *courtroom) {
			r.pass(drivers.Second, nil)
			r.finished(bench.Ending{Outcome: machine.OutcomeDone})
			r.pass(drivers.Second, none)
		}},
	} {
		t.Run(fmt.Sprintf("INV-%02d %s", x.inv, x.says), func(t *testing.T) {
			r := newCourtroom(t)
			x.do(r)
			if x.says == "" {
				require.Empty(t, r.violations)
				return
			}
			for _, v := range r.violations {
				if v.INV == x.inv && strings.Contains(v.What, x.says) {
					return
				}
			}
			assert.Failf(t, "not seen", "INV-%02d %q among %v", x.inv, x.says, r.violations)
		})
	}
}
