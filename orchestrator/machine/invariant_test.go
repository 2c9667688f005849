package machine

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// witness looks at everything a machine is told and does, and remembers the
// first thing that breaks an invariant. It knows nothing of the machine's
// inside.
type witness struct {
	layout  *drivers.Layout
	plan    *Plan
	broken  string
	started bool
	armed   bool
	permit  Permit
	stored  bool // the permit is durable
	frame   *drivers.Frame
	closed  drivers.Contactors
	tripped bool
	latched bool
	still   int // frames in a row that read no current
	flowing Direction
}

func (w *witness) fail(format string, args ...any) {
	if w.broken == "" {
		w.broken = fmt.Sprintf(format, args...)
	}
}

func (w *witness) value(k drivers.Kind) int64 {
	i := w.layout.Find(k)
	return w.layout.Channels[i].Scale.Value(w.frame.Counts[i])
}

// see takes one event and its actions.
func (w *witness) see(e Event, actions []Action) {
	switch e := e.(type) {
	case Framed:
		w.frame = e.Frame
		if w.still++; abs(w.value(drivers.ModuleCurrent)) > int64(w.plan.Limits.NearZero) {
			w.still = 0
		}
	case Start:
		w.started = true
	case Stored:
		w.stored = w.stored || e.Epoch == w.permit.Epoch && e.Err == ""
	case Done:
		w.armed = w.armed || e.Op == DeviceArm && e.Err == ""
	}
	for i, a := range actions {
		w.act(e, i, a)
	}
}

func (w *witness) act(e Event, i int, a Action) {
	switch a := a.(type) {
	case Halt:
		w.stored, w.flowing = false, Resting
	case Permit:
		w.permit, w.stored = a, false
		w.tripLatchedPermit(a)
	case Set:
		w.set(a)
	case SwitchTo:
		w.switches(a)
	case Record:
		w.record(i, a)
	case Finish:
		w.started = false
		w.armed = false
	}
}

func (w *witness) tripLatchedPermit(a Permit) {
	switch {
	case !w.started:
		w.fail("INV-06: permit without a start: %v", a)
	case w.latched || w.tripped:
		w.fail("INV-05: permit while latched: %v", a)
	case !w.armed:
		w.fail("INV-08: permit before the instruments' limits were armed: %v", a)
	case a.Bounds.Span <= 0 || a.Direction != Resting && (a.Bounds.Charge <= 0 || a.Bounds.Energy <= 0):
		w.fail("INV-11: permit without bounds: %v", a)
	case a.Direction == Charging && a.Current > w.plan.Limits.ChargeMax:
		w.fail("INV-10: permit over the charge limit: %v", a)
	}
}

func (w *witness) set(a Set) {
	switch {
	case !w.stored:
		w.fail("INV-05: set before a durable permit: %v", a)
	case a.Direction != w.permit.Direction || a.Current > w.permit.Current || a.Epoch != w.permit.Epoch:
		w.fail("INV-05: set outside its permit: %v, %v", a, w.permit)
	case w.tripped || w.latched:
		w.fail("INV-05: set while tripped: %v", a)
	case w.closed != closed:
		w.fail("INV-09: set with contactors %d: %v", w.closed, a)
	}
	other := drivers.LoadState
	if a.Direction == Discharging {
		other = drivers.SupplyState
	}
	if w.value(other)&drivers.PowerOn != 0 {
		w.fail("INV-01: set while the other instrument is on: %v", a)
	}
	if a.Direction != w.flowing && w.still == 0 {
		w.fail("INV-01: %s begins while %d uA are measured", a.Direction, w.value(drivers.ModuleCurrent))
	}
	w.flowing = a.Direction
}

func (w *witness) switches(a SwitchTo) {
	link, article := w.value(drivers.LinkVoltage), w.value(drivers.ModuleVoltage)
	if a.Closed&drivers.BoxPositive != 0 && w.closed&drivers.BoxPositive == 0 {
		switch {
		case !w.stored:
			w.fail("INV-05: closing before a durable permit")
		case w.closed&drivers.BoxPrecharge == 0:
			w.fail("INV-09: positive contactor without precharge")
		case article <= 0 || abs(article-link) > int64(w.plan.Bench.Box.DifferenceMax):
			w.fail("INV-09: closing on to %d uV with the link at %d uV", article, link)
		}
	}
	if a.Closed != 0 && !w.stored {
		w.fail("INV-05: closing before a durable permit: %v", a)
	}
	w.closed = a.Closed
}

func (w *witness) record(i int, a Record) {
	switch a.Kind {
	case RecordTrip:
		w.tripped = true
		if i == 0 {
			w.fail("INV-03: a trip is recorded before anything is halted")
		}
	case RecordClear:
		if w.still == 0 {
			w.fail("INV-04: a trip is called over while %d uA are measured", w.value(drivers.ModuleCurrent))
		}
		w.tripped, w.latched = false, true
	case RecordAck:
		w.latched = false
	}
}

// newWitnessed returns a session that a witness watches.
func newWitnessed(t *testing.T, plan func() *Plan) (*session, *witness) {
	s := newSession(t)
	p := plan()
	require.NoError(t, s.m.Load(p))
	w := &witness{layout: &p.Layout, plan: p, frame: s.toy.frame()}
	s.record = w.see
	return s, w
}

// toyFaults are the ways in which the toy bench disobeys.
var toyFaults = []string{
	"keeps its output", "does not open", "welded", "link short", "resistor open", "estop", "no frames",
	"monitor silent", "set fails", "arm reads back loose", "store full", "ignores set-down",
}

// TestDrawnFaults runs drawn plans on a bench that disobeys at drawn moments,
// with drawn commands in between, and lets the witness look: INV-01, INV-03,
// INV-04, INV-05, INV-06, INV-08, INV-09, INV-10, INV-11. Afterwards the bench
// obeys again, a person stops and acknowledges, and the machine must come to
// rest with nothing on (INV-13).
func TestDrawnFaults(t *testing.T) {
	names := []string{"charge", "cycle", "pulse", "levels", "balance", "ask", "bound", "prove"}
	for seed := range seeds(t, 200) {
		rng := rand.New(rand.NewPCG(seed, 7))
		s, w := newWitnessed(t, sessionPlans[names[rng.IntN(len(names))]])
		s.event(Start{At: s.toy.now, Run: "R", Who: "tester", Epoch: s.m.Epoch()})
		for range 1 + rng.IntN(6) {
			s.drift(rng)
			switch rng.IntN(5) {
			case 0:
				s.event(Operator{At: s.toy.now, Verb: []Verb{VerbPause, VerbResume, VerbStop, VerbConfirm, VerbAcknowledge}[rng.IntN(5)], Who: "tester", Reason: "drawn"})
			case 1:
				s.toy.offset[rng.IntN(4)] = drivers.Microvolts(rng.IntN(800_000) - 400_000)
			case 2:
				s.toy.temp[rng.IntN(2)] = drivers.Millikelvins(263_150 + rng.IntN(80_000))
			default:
				s.toy.faults[toyFaults[rng.IntN(len(toyFaults))]] = true
			}
			require.Empty(t, w.broken, "seed %d", seed)
		}
		s.drift(rng)
		require.Empty(t, w.broken, "seed %d", seed)

		s.toy.faults = map[string]bool{}
		s.toy.offset = [4]drivers.Microvolts{}
		s.toy.temp = [2]drivers.Millikelvins{298_150, 298_150}
		s.event(Operator{At: s.toy.now, Verb: VerbStop, Who: "tester"})
		for i := 0; i < 200 && s.m.Busy(); i++ {
			s.turn(s.toy.now.Add(drivers.Second))
		}
		require.Empty(t, w.broken, "seed %d", seed)
		require.False(t, s.m.Busy(), "seed %d: INV-13: still %s after a stop", seed, s.m.Phase())
		s.event(Operator{At: s.toy.now, Verb: VerbAcknowledge, Who: "tester", Reason: "looked at it"})
		require.NotEqual(t, PhaseLatched, s.m.Phase(), "seed %d: an acknowledgement clears the latch", seed)
		require.False(t, s.toy.supply.On || s.toy.load.On || s.toy.closed != 0, "seed %d: INV-13: energised after a stop", seed)
	}
}

// seeds is how many seeds a drawn test runs: RIGWARDEN_SEEDS asks for more.
func seeds(t *testing.T, usual uint64) uint64 {
	s := os.Getenv("RIGWARDEN_SEEDS")
	switch {
	case s == "" && testing.Short():
		return usual / 5
	case s == "":
		return usual
	}
	n, err := strconv.ParseUint(s, 10, 64)
	require.NoError(t, err, "RIGWARDEN_SEEDS")
	return n
}

// drift lets a drawn time pass: mostly moments, sometimes minutes.
func (s *session) drift(rng *rand.Rand) {
	turns := rng.IntN(40)
	if rng.IntN(3) == 0 {
		turns = rng.IntN(4000)
	}
	for range turns {
		s.turn(s.toy.now.Add(drivers.Minute))
	}
	s.out.Reset()
}

// TestINV01_MeasuredZero: the next direction does not begin while a current is
// measured, although both instruments say that they are off and the current is
// too small for the guard to call it uncommanded.
func TestINV01_MeasuredZero(t *testing.T) {
	s, w := newWitnessed(t, sessionPlans["pulse"])
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	s.pass("2min until wait/c")
	s.pass("10s")
	s.toy.seep = 60_000
	s.pass("1min until tripped")
	require.Equal(t, PhaseTripped, s.m.Phase())
	require.Empty(t, w.broken)
	var v View
	s.m.Look(&v)
	require.Contains(t, v.Cause, "current did not reach zero")
}

// TestINV04_BothSensors: a trip is not over while either of two independent
// current sensors reads a current, and is over three readings after both do not.
func TestINV04_BothSensors(t *testing.T) {
	for _, liar := range []drivers.Kind{drivers.ModuleCurrent, drivers.BoxCurrent} {
		s, _ := newWitnessed(t, sessionPlans["charge"])
		s.record = nil
		s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
		s.pass("1min until current")
		s.event(Lost{At: s.toy.now, Device: "supply", Reason: "test"})
		require.Equal(t, PhaseTripped, s.m.Phase())
		ch := s.toy.layout.Find(liar)
		for range 50 {
			s.toy.advance(s.toy.next())
			f := s.toy.frame()
			f.Counts[ch] = s.toy.layout.Channels[ch].Scale.Nearest(2_000_000)
			s.answer(append([]Action(nil), s.m.StepFrame(f.At, f)...))
			require.Equal(t, PhaseTripped, s.m.Phase(), liar.String())
		}
		for range 2 {
			s.turn(s.toy.now.Add(drivers.Second))
			require.Equal(t, PhaseTripped, s.m.Phase(), "one or two readings prove nothing")
		}
		s.pass("1s until latched")
		require.Equal(t, PhaseLatched, s.m.Phase())
	}
}

// TestINV02_MissingIsUnsafe: every channel that safety needs, one by one, gives
// no reading while current flows; each ends in a trip whose first action is a
// halt (INV-03).
func TestINV02_MissingIsUnsafe(t *testing.T) {
	layout := newToy(0).layout
	for ch, c := range layout.Channels {
		if c.Kind == drivers.SupplyVoltage || c.Kind == drivers.LoadVoltage || c.Kind == drivers.LinkVoltage || c.Kind == drivers.BleedState {
			continue // no limit rests on them while current flows
		}
		s, _ := newWitnessed(t, sessionPlans["charge"])
		s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
		s.pass("1min until current")
		s.pass("2s")
		require.Equal(t, PhaseRunning, s.m.Phase())
		var tripped []Action
		for i := 0; i < 60 && s.m.Phase() == PhaseRunning; i++ {
			s.toy.advance(s.toy.next())
			f := s.toy.frame()
			f.Counts[ch] = drivers.NoReading
			tripped = append([]Action(nil), s.m.StepFrame(f.At, f)...)
		}
		require.Equal(t, PhaseTripped, s.m.Phase(), "%s is missing for 6 s", c.Name())
		require.IsType(t, Halt{}, tripped[0], "%s: INV-03", c.Name())
	}
}

// TestINV03_HaltIsNext: a breach past its persistence is answered by halt in
// the very frame, in each state that is energised.
func TestINV03_HaltIsNext(t *testing.T) {
	for _, until := range []string{"precharge", "current", "hold", "paused"} {
		s, w := newWitnessed(t, sessionPlans["charge"])
		s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
		if until == "paused" {
			s.pass("1min until current")
			s.event(Operator{At: s.toy.now, Verb: VerbPause, Who: "tester"})
		}
		s.pass("2h until " + until)
		s.toy.offset[2] = 700_000
		first := s.toy.now
		for i := 0; i < 20 && s.m.Phase() != PhaseTripped; i++ {
			s.turn(s.toy.now.Add(drivers.Second))
		}
		require.Equal(t, PhaseTripped, s.m.Phase(), until)
		require.Empty(t, w.broken)
		// One monitor period until the next reading, then the persistence, both
		// seen on frames.
		limit := w.plan.Limits.CellPersistence + 2*w.plan.Bench.Monitor.Period
		require.LessOrEqual(t, int64(s.toy.now.Sub(first)), int64(limit), until)
		require.False(t, s.toy.supply.On, until)
	}
}

// TestINV07_NoRecordNoEnergy: a store that fails while current flows trips.
func TestINV07_NoRecordNoEnergy(t *testing.T) {
	s, w := newWitnessed(t, sessionPlans["charge"])
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	s.pass("1min until current")
	s.event(StoreFailed{At: s.toy.now, Err: "no space left"})
	require.Equal(t, PhaseTripped, s.m.Phase())
	require.False(t, s.toy.supply.On)
	require.Empty(t, w.broken)
}

// TestINV10_ColdCharge and the maker's table: the machine derates by itself
// before the guard has to act, and trips where charging is forbidden (INV-15).
func TestINV10_ColdCharge(t *testing.T) {
	plan := func() *Plan {
		p := sessionPlans["charge"]()
		p.Limits.ChargeTable = []guard.ChargeRow{{Temp: 273_150, Current: 500_000}, {Temp: 283_150, Current: 2_000_000}}
		return p
	}
	s, w := newWitnessed(t, plan)
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	s.pass("1min until current")
	s.pass("2s")
	// By the row, less what the supply and the shunt may be off by together.
	require.EqualValues(t, 1_994_000, s.toy.supply.Current)
	s.toy.temp[1] = 283_900 // within a kelvin of the row's edge
	s.pass("1s")
	require.EqualValues(t, 494_000, s.toy.supply.Current, "derated to the colder row")
	require.Equal(t, PhaseRunning, s.m.Phase())
	s.toy.temp[1] = 272_000 // under 0 degC
	s.pass("10s until tripped")
	require.False(t, s.toy.supply.On, "INV-15: no charge under the maker's temperature")
	require.Contains(t, []Phase{PhaseTripped, PhasePausing, PhasePaused}, s.m.Phase())
	require.Empty(t, w.broken)
}

// A thermometer of coarse steps may jump over a kelvin. A day of healthy running
// (seed 280) once charged at one row's current when the reading fell into the
// next: what two readings of one temperature may differ by is kept from the row.
func TestINV15_CoarseThermometer(t *testing.T) {
	plan := func() *Plan {
		p := sessionPlans["charge"]()
		p.Bench.Monitor.TempAccuracy.Offset = 1_600
		p.Limits.ChargeTable = []guard.ChargeRow{{Temp: 273_150, Current: 500_000}, {Temp: 283_150, Current: 2_000_000}}
		return p
	}
	s, _ := newWitnessed(t, plan)
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	for i := range s.toy.temp {
		s.toy.temp[i] = 286_000 // 2.85 K over the row
	}
	s.pass("1min until current")
	s.pass("2s")
	require.EqualValues(t, 494_000, s.toy.supply.Current)
	for i := range s.toy.temp {
		s.toy.temp[i] = 290_000
	}
	s.pass("2s")
	require.EqualValues(t, 1_994_000, s.toy.supply.Current)
}

// TestINV11_Bounds: time, charge and energy each end a step that does not end
// by itself, as failed.
func TestINV11_Bounds(t *testing.T) {
	for name, bound := range map[string]Bounds{
		"s without":   {Span: 20 * drivers.Second, Charge: toyCapacity, Energy: 100 * drivers.WattHour},
		"mAh without": {Span: drivers.Hour, Charge: toyCapacity / 100, Energy: 100 * drivers.WattHour},
		"mWh without": {Span: drivers.Hour, Charge: toyCapacity, Energy: drivers.WattHour / 10},
	} {
		s, _ := newWitnessed(t, func() *Plan {
			p := sessionPlans["charge"]()
			p.Code[1].Drive.Bounds = bound
			return p
		})
		var finish Finish
		s.record = func(_ Event, actions []Action) {
			for _, a := range actions {
				if f, ok := a.(Finish); ok {
					finish = f
				}
			}
		}
		s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
		s.pass("10min until watching")
		require.Equal(t, OutcomeFailed, finish.Outcome, name)
		require.Contains(t, finish.Reason, name)
	}
}

// TestINV16_Watch: after an end, outputs are off and contactors open, and the
// watch lasts until temperatures have not risen for the whole time; a long rest
// opens the contactors too (the session "cycle" shows it).
func TestINV16_Watch(t *testing.T) {
	s, w := newWitnessed(t, sessionPlans["charge"])
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	s.pass("1min until current")
	s.event(Operator{At: s.toy.now, Verb: VerbStop, Who: "tester"})
	s.pass("5s until watching")
	require.Equal(t, PhaseWatching, s.m.Phase())
	require.Equal(t, drivers.Contactors(0), s.toy.closed)
	for range 6 { // a cell warms slowly, by 3 K in all
		s.pass("1min")
		s.toy.temp[0] += 600
		require.True(t, s.m.Watching(), "rising: the watch goes on past its %d s", w.plan.WatchSteady/drivers.Second)
	}
	s.pass("3min")
	require.False(t, s.m.Watching())
	require.Equal(t, PhaseIdle, s.m.Phase())
}

// TestINV16_WatchAlarms: while watching, a hot cell trips and latches; a monitor
// that somebody unplugs raises an alarm, once, and latches nothing.
func TestINV16_WatchAlarms(t *testing.T) {
	for name, c := range map[string]struct {
		upset func(*toy)
		phase Phase
	}{
		"hot":       {func(b *toy) { b.temp[0] = 340_150 }, PhaseLatched},
		"unplugged": {func(b *toy) { b.faults["monitor silent"] = true }, PhaseWatching},
	} {
		s, w := newWitnessed(t, sessionPlans["charge"])
		alarms := 0
		see := s.record
		s.record = func(e Event, actions []Action) {
			see(e, actions)
			for _, a := range actions {
				if n, ok := a.(Notify); ok && n.Severity == SeverityAlarm {
					alarms++
				}
			}
		}
		s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
		s.pass("1min until current")
		s.event(Operator{At: s.toy.now, Verb: VerbStop, Who: "tester"})
		s.pass("5s until watching")
		c.upset(s.toy)
		s.pass("20s")
		require.Equal(t, c.phase, s.m.Phase(), name)
		require.Equal(t, 1, alarms, name)
		require.Empty(t, w.broken)
	}
}

// TestStepFrameAllocatesNothing: a frame in which nothing happens costs no
// allocation, so that no garbage collection stands in a trip's way.
func TestStepFrameAllocatesNothing(t *testing.T) {
	s, _ := newWitnessed(t, sessionPlans["charge"])
	s.record = nil
	s.event(Start{At: s.toy.now, Run: "R", Who: "tester"})
	s.pass("1min until current")
	s.pass("5s")
	s.toy.advance(s.toy.next())
	f := s.toy.frame()
	beat := s.toy.layout.Find(drivers.MonitorBeat)
	at := f.At
	allocs := testing.AllocsPerRun(1000, func() {
		at = at.Add(100 * drivers.Millisecond)
		f.At = at
		for k := beat; k < beat+5; k++ {
			f.Counts[k]++
		}
		s.m.StepFrame(at, f)
	})
	require.Equal(t, PhaseRunning, s.m.Phase())
	require.Zero(t, allocs)
}

// TestLines: every event and action of a drawn run parses back to itself.
func TestLines(t *testing.T) {
	s, _ := newWitnessed(t, sessionPlans["cycle"])
	events, actions := 0, 0
	s.record = func(e Event, as []Action) {
		got, err := ParseEvent(e.String())
		require.NoError(t, err)
		require.Equal(t, e.String(), got.String())
		require.Equal(t, e.When(), got.When())
		events++
		for _, a := range as {
			got, err := ParseAction(a.String())
			require.NoError(t, err, a.String())
			require.Equal(t, a, got)
			actions++
		}
	}
	s.event(Start{At: s.toy.now, Run: "R", Who: "te\"st\ner", Plan: "abc"})
	s.pass("30min")
	require.Greater(t, events, 1000)
	require.Greater(t, actions, 100)
}

// FuzzParseLine: no line makes the parser panic, and what it accepts prints
// back to a line that means the same.
func FuzzParseLine(f *testing.F) {
	f.Add(`set epoch=3 direction="charge" current_uA=2000000`)
	f.Add(`record kind="trip" urgent=1 cause=1 channel=-1 text="a \"b\""`)
	f.Add(`computed at=1 spans_us=1,2,-3 give_up=""`)
	f.Add(`frame at=5 counts=1,2,-2147483648`)
	f.Add(`opened at=5 current_uA=20000000 unknown=0`)
	f.Add("halt epoch=18446744073709551615 level=-9223372036854775808")
	f.Fuzz(func(t *testing.T, s string) {
		if strings.Contains(s, "\n") {
			return
		}
		if a, err := ParseAction(s); err == nil {
			b, err := ParseAction(a.String())
			require.NoError(t, err)
			require.Equal(t, a.String(), b.String())
		}
		if e, err := ParseEvent(s); err == nil {
			g, err := ParseEvent(e.String())
			require.NoError(t, err)
			require.Equal(t, e.String(), g.String())
		}
	})
}
