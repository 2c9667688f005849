package rehearse

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// A trip is held against the truth and against what has gone wrong: neither a
// fault that does not touch the article nor one that has not begun excuses it.
func TestJudgeSeesFalseTrips(t *testing.T) {
	r := newCourtroom(t)
	r.arms()
	r.trip(r.rig.Now(), "record", "cell_high: too high")
	assert.Equal(t, Trip{At: r.rig.Now(), Cause: "cell_high", Text: "cell_high: too high"}, r.trips[0])

	f, err := virtual.ParseFault("temp-open after=1s")
	require.NoError(t, err)
	require.NoError(t, r.rig.Inject(f))
	r.pass(drivers.Second, nil)
	r.trip(r.rig.Now(), "record", "cell_high: too high")
	r.trip(r.rig.Now(), "record", "missing: no reading")
	assert.True(t, r.trips[1].Began && !r.trips[1].Blamed && !r.trips[1].True)
	assert.True(t, r.trips[2].Blamed)

	for _, cause := range []string{"cell_high", "cell_low", "module_high", "module_low", "temp_high", "temp_low", "temp_rise",
		"lone_cell", "charge_cold", "charge_forbidden", "charge_high", "discharge_high", "sum_mismatch", "frozen"} {
		assert.False(t, r.explains(cause), cause)
	}
	m := r.rig.Plant().Module()
	for cause, do := range map[string]func(){
		"lone_cell": func() { m.SetSoC(4, m.SoC(4)-0.2) },
		"cell_low":  func() { m.SetSoC(7, 0.1) },
		"cell_high": func() { m.SetSoC(2, 0.99) },
		"temp_rise": func() { m.SetKelvin(4, 315) },
		"temp_high": func() { m.SetKelvin(4, 330) },
		"temp_low":  func() { m.SetKelvin(4, 250) },
	} {
		do()
		r.pass(drivers.Second, nil)
		assert.True(t, r.explains(cause), cause)
	}
}

// A fault that the list of causes does not know would excuse nothing; each kind
// stands there.
func TestEachFaultHasItsCauses(t *testing.T) {
	for _, info := range virtual.Faults() {
		_, ok := leads[info.Default.Kind]
		assert.True(t, ok, info.Name)
	}
}

// How a run ended is held against the article's truth.
func TestJudgeSeesUnfoundedEnds(t *testing.T) {
	x := &rehearsal{t: quick(t), r: &Result{}, end: &bench.Ending{}}
	r := newCourtroom(t)
	x.w, x.c = r.witness, r.c
	r.arms()
	ends := func(o machine.Outcome, why string) string {
		x.r.Outcome, x.r.Reason = o, why
		return x.unfounded()
	}
	m := r.rig.Plant().Module()
	for k := range m.Len() {
		m.SetSoC(k, 0.845)
	}
	assert.Empty(t, ends(machine.OutcomeDone, ""))
	assert.Contains(t, ends(machine.OutcomeRefused, "not ready"), "in good order")
	assert.Contains(t, ends(machine.OutcomeStopped, "stopped"), "nobody did")
	assert.Contains(t, ends(machine.OutcomeFailed, "balancing gave up: cell 3 leaks"), "does not show why")
	assert.Contains(t, ends(machine.OutcomeFailed, "bound reached: 3600 s"), "does not show why")
	assert.Contains(t, ends(machine.OutcomeFailed, "paused by a soft limit 21 times"), "does not show why")

	m.SetSoC(3, m.SoC(3)-0.06)
	assert.Contains(t, ends(machine.OutcomeDone, ""), "imbalance is")
	assert.Empty(t, ends(machine.OutcomeFailed, "balance did not reach 2 % in 3 rounds"))
	m.SetKelvin(1, 330)
	r.pass(drivers.Second, nil)
	assert.Empty(t, ends(machine.OutcomeRefused, "not ready"))
	assert.Empty(t, ends(machine.OutcomeFailed, "paused by a soft limit 21 times"))
	r.nearest = 0.99
	assert.Empty(t, ends(machine.OutcomeFailed, "bound reached: 3600 s"))
	r.stops()
	assert.Empty(t, ends(machine.OutcomeStopped, "stopped"))
}

// An error that nobody noticed is held against what the plan allows for, and only
// where one thing at most went wrong.
func TestJudgeSeesUnnoticedErrors(t *testing.T) {
	twin := *quick(t)
	plan := *twin.Plan
	plan.Absolute.AllowanceCell = 3_000
	twin.Plan = &plan
	c := twin.Plain(1)
	f, err := virtual.ParseFault("tap-drifts cell=4 drift=1V/h after=0s")
	require.NoError(t, err)
	c.Config.Faults = []virtual.Fault{f}
	r, err := twin.Run(c, nil)
	require.NoError(t, err)
	assert.Contains(t, r.Unnoticed, "cell 4 read")
	assert.False(t, r.Held())

	g, err := virtual.ParseFault("bleed-open cell=1 after=0s")
	require.NoError(t, err)
	c.Config.Faults = append(c.Config.Faults, g)
	r, err = twin.Run(c, nil)
	require.NoError(t, err)
	assert.Empty(t, r.Unnoticed)
	assert.Greater(t, r.CellError.Error, int64(3_000), "told as coverage")
}

// A plan that is looser than a file, or does not bound a step, is found.
func TestJudgeReadsThePlan(t *testing.T) {
	r := newCourtroom(t)
	plan := *r.c.plan
	plan.Limits.CellMax += 1
	plan.Code = append([]machine.Instruction(nil), plan.Code...)
	for i, ins := range plan.Code {
		if ins.Op == machine.OpDrive {
			d := *ins.Drive
			d.Bounds.Span = 0
			plan.Code[i].Drive = &d
			break
		}
	}
	c := *r.c
	c.plan = &plan
	x := &rehearsal{t: quick(t), c: &c, w: r.witness}
	x.judgePlan()
	require.Len(t, r.violations, 2)
	assert.Equal(t, 10, r.violations[0].INV)
	assert.Contains(t, r.violations[0].What, "of the module")
	assert.Equal(t, 11, r.violations[1].INV)
}
