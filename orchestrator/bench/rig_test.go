package bench_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/profiles"
)

// began is the instant at which every virtual bench of these tests opens.
const began drivers.Instant = 1_790_000_000_000_000

// setup is what a run is made of: three files and the virtual bench they
// describe. A test changes what it is about and opens it.
type setup struct {
	module *profiles.Module
	bench  *profiles.Bench
	plan   *machine.Plan
	config virtual.Config
}

// shippedModule and shippedBench parse the library's files, with edits in
// pairs of old and new text, each of which must be there.
func shippedModule(t testing.TB, edits ...string) *profiles.Module {
	t.Helper()
	src, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	m, problems := profiles.ParseModule("KW-01.yaml", edited(t, src, edits))
	require.NoError(t, profiles.Error(problems))
	return m
}

func shippedBench(t testing.TB, edits ...string) *profiles.Bench {
	t.Helper()
	src, err := profiles.LibraryBench("quay-1")
	require.NoError(t, err)
	b, problems := profiles.ParseBench("quay-1.yaml", edited(t, src, edits))
	require.NoError(t, profiles.Error(problems))
	return b
}

func shippedProfile(t testing.TB, name string) string {
	t.Helper()
	src, err := profiles.LibraryProfile(name)
	require.NoError(t, err)
	return string(src)
}

func edited(t testing.TB, src []byte, pairs []string) []byte {
	t.Helper()
	text := string(src)
	for i := 0; i < len(pairs); i += 2 {
		require.Contains(t, text, pairs[i])
		text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
	}
	return []byte(text)
}

// newSetup compiles a profile's text and describes the article as the bench's
// file does: its spreads are full ranges, the plant's are greatest deviations.
func newSetup(t testing.TB, m *profiles.Module, b *profiles.Bench, profile string) setup {
	t.Helper()
	p, problems := profiles.ParseProfile("profile.yaml", []byte(profile))
	require.NoError(t, profiles.Error(problems))
	plan, problems := profiles.Compile(p, m, b)
	require.NoError(t, profiles.Error(problems))

	ratio := func(ppm profiles.Ppm) float64 { return float64(ppm) / 1e6 }
	a, v := virtual.DefaultArticle(), b.Virtual
	require.NotNil(t, v, "the bench has no virtual article")
	a.Chemistry, a.Series = m.Chemistry, m.Series
	a.Capacity = drivers.Charge(float64(m.Rated) * ratio(v.Capacity))
	a.SoC, a.Ambient = ratio(v.StateOfCharge), v.Ambient
	a.Spread = plant.Spread{
		Capacity: ratio(v.CapacitySpread) / 2, Resistance: ratio(v.ResistanceSpread) / 2, SoC: ratio(v.StateSpread) / 2,
		SelfDischarge: a.Spread.SelfDischarge, Joint: a.Spread.Joint, Kelvin: a.Spread.Kelvin,
	}
	return setup{
		module: m, bench: b, plan: plan,
		config: virtual.Config{Bench: b.Bench, Article: a, Seed: v.Seed, Start: began},
	}
}

// trial is one opened setup.
type trial struct {
	setup
	t       testing.TB
	rig     *virtual.Bench
	virtual *bench.Virtual
	tape    *tape
	ended   chan bench.Ending
	latches *shelf
}

// shelf keeps a bench's latch outside of runs.
type shelf struct{ reason, clearedBy, why string }

func (s *shelf) SetLatch(reason string, _ drivers.Instant) error { s.reason = reason; return nil }
func (s *shelf) ClearLatch(who, reason string, _ drivers.Instant) error {
	s.reason, s.clearedBy, s.why = "", who, reason
	return nil
}

// open makes the virtual bench, watches its truth against the cell maker's
// limits, and starts the loop.
func (s setup) open(t testing.TB) *trial {
	t.Helper()
	rig, err := virtual.New(s.config)
	require.NoError(t, err)
	return s.openOver(t, rig)
}

func (s setup) openOver(t testing.TB, rig *virtual.Bench) *trial {
	t.Helper()
	maker := &s.module.Maker
	rig.Watch(virtual.TruthLimits{
		CellMax: maker.CellMax, CellMin: maker.CellMin, TempMax: s.plan.Absolute.TempMax,
		Charge: maker.ChargeMax, Discharge: maker.DischargeMax,
	})
	x := &trial{setup: s, t: t, rig: rig, tape: newTape(), ended: make(chan bench.Ending, 1), latches: &shelf{}}
	x.virtual = bench.NewVirtual(rig, bench.Options{Name: s.plan.Bench.Name, Latches: x.latches})
	t.Cleanup(func() { x.virtual.Close() })
	return x
}

// request is the start of a run of the trial's plan.
func (x *trial) request() bench.StartRequest {
	curve := balance.Curve{}
	for _, p := range x.module.OCV {
		curve.Points = append(curve.Points, balance.Point{SoCPPM: p.SoC, Voltage: p.Voltage})
	}
	planner, err := balance.New(x.plan, curve)
	require.NoError(x.t, err)
	return bench.StartRequest{
		Run: "r000001", Plan: x.plan, PlanDigest: "0", Journal: x.tape, Planner: planner, Who: "test engineer",
		Finished: func(e bench.Ending) { x.ended <- e },
	}
}

// start begins the run.
func (x *trial) start() {
	x.t.Helper()
	require.NoError(x.t, x.virtual.Start(x.t.Context(), x.request()))
}

// wait returns how the run ended.
func (x *trial) wait() bench.Ending {
	x.t.Helper()
	select {
	case e := <-x.ended:
		return e
	case <-time.After(patience):
		require.FailNow(x.t, "the run does not end", "%+v", x.virtual.Status().View)
	}
	return bench.Ending{}
}

// patience is real time that no virtual run of these tests comes near.
const patience = 2 * time.Minute

// run carries the whole run out and closes the bench, so that the plant's truth
// can be read.
func (x *trial) run() bench.Ending {
	x.t.Helper()
	x.start()
	e := x.wait()
	require.NoError(x.t, x.virtual.Close())
	return e
}

// measured has the trial's figures computed as the run is recorded.
func (x *trial) measured() *trial {
	x.tape.figures = qualify.New(x.plan)
	return x
}
