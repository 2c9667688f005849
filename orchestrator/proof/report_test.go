package proof

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

const day = 24 * drivers.Hour

func shippedPlan(t *testing.T) (*machine.Plan, *profiles.Module, *profiles.Bench) {
	t.Helper()
	text := func(get func(string) ([]byte, error), name string) []byte {
		src, err := get(name)
		require.NoError(t, err)
		return src
	}
	m, problems := profiles.ParseModule("KW-01.yaml", text(profiles.LibraryModule, "KW-01"))
	require.Empty(t, problems)
	b, problems := profiles.ParseBench("quay-1.yaml", text(profiles.LibraryBench, "quay-1"))
	require.Empty(t, problems)
	p, problems := profiles.ParseProfile("proof.yaml", text(profiles.LibraryProfile, "proof"))
	require.Empty(t, problems)
	plan, problems := profiles.Compile(p, m, b)
	require.Empty(t, problems)
	return plan, m, b
}

// lines are a record in which every row passed, but for those that edit changes.
func lines(plan *machine.Plan, edit func(*machine.Proof)) (out []string) {
	for _, ins := range expected(plan) {
		e := ins.Drive.Expect
		p := machine.Proof{
			Protection: e.Protection, Passed: true, Step: ins.Step, Label: plan.Steps[ins.Step].Label, Limit: 3_260_400,
			Finding: guard.Finding{Cause: guard.CellHigh, Channel: 12, Value: 3_263_200, Limit: 3_260_400, Since: 1, Hard: true},
			ToOff:   100_000, ToZero: 200_000, ToOpen: 300_000, Off: e.Off, Zero: e.Zero, Open: e.Open,
			Links: machine.LinkGuard | machine.LinkInstrument | machine.LinkContactor, ZeroBy: "module_current", OpenBy: "link_voltage",
		}
		edit(&p)
		if p.Label != "" {
			out = append(out, p.String())
		}
	}
	return out
}

func read(plan *machine.Plan, lines []string, run Run) *Report {
	r := NewReader(plan)
	for _, l := range lines {
		r.Line(l)
	}
	return r.Report(run)
}

var done = Run{ID: "r000007", Start: drivers.Instant(100 * day), Outcome: machine.OutcomeDone}

func TestVerdict(t *testing.T) {
	plan, m, b := shippedPlan(t)
	whole := read(plan, lines(plan, func(*machine.Proof) {}), done)
	require.Equal(t, Pass, whole.Verdict, whole.Why)
	require.Empty(t, whole.Missing)
	assert.Equal(t, b.Digest, whole.BenchDigest)
	assert.Equal(t, m.Digest, whole.ModuleDigest)
	require.Len(t, whole.Rows, len(machine.Protections))
	assert.Equal(t, []string{"sensor", "monitor"}, whole.Untouched, "the host carried every halt of a run that was not in virtual time")
	assert.Contains(t, whole.Rows[0].What, "cell 13 at 3.2632 V is over its limit of 3.2604 V")

	virtual := done
	virtual.Virtual = true
	assert.Equal(t, []string{"sensor", "monitor", "host"}, read(plan, lines(plan, func(*machine.Proof) {}), virtual).Untouched)

	one := read(plan, lines(plan, func(p *machine.Proof) {
		if p.Protection == machine.ProveLease {
			p.Passed, p.Text, p.Links = false, "a contactor still reads closed", 0
		}
	}), done)
	assert.Equal(t, Fail, one.Verdict)
	assert.Equal(t, []string{"lease expiry: a contactor still reads closed"}, one.Why)

	missing := read(plan, lines(plan, func(p *machine.Proof) {
		if p.Protection == machine.ProveStale {
			p.Label = ""
		}
	}), done)
	assert.Equal(t, Unproven, missing.Verdict)

	trip := machine.Record{Kind: machine.RecordTrip, Text: "cell_high: cell 03 at 3.61 V"}.String()
	tripped := read(plan, append(lines(plan, func(*machine.Proof) {}), trip), done)
	assert.Equal(t, Fail, tripped.Verdict, "every row passed, and something else tripped")

	kept := read(plan, lines(plan, func(p *machine.Proof) { p.Links &^= machine.LinkContactor }), done)
	assert.Equal(t, Unproven, kept.Verdict, "only the commanded box said that its contactors were open")

	stopped := done
	stopped.Outcome = machine.OutcomeStopped
	assert.Equal(t, Unproven, read(plan, lines(plan, func(*machine.Proof) {}), stopped).Verdict)
}

// A row that failed and passed at a second try has failed.
func TestFailedOnce(t *testing.T) {
	plan, _, _ := shippedPlan(t)
	good := lines(plan, func(*machine.Proof) {})
	bad := lines(plan, func(p *machine.Proof) { p.Passed, p.Text = false, "late" })
	assert.Equal(t, Fail, read(plan, append(bad[:1], good...), done).Verdict)
}

// A proof holds for its own files and for so long, no longer and for no others.
func TestHolds(t *testing.T) {
	plan, m, b := shippedPlan(t)
	plan.Bench.Monitor.MapDigest = "what the signal map said"
	r := read(plan, lines(plan, func(*machine.Proof) {}), done)
	now := func(d drivers.Span) Demand {
		return Demand{BenchDigest: b.Digest, ModuleDigest: m.Digest, Maps: MapsOf(&plan.Bench), Within: 30 * day, Now: done.Start.Add(d)}
	}
	assert.Empty(t, now(0).Lacks(r))
	assert.Empty(t, now(30*day).Lacks(r))
	assert.Equal(t, "run r000007 is 30.5 days old, and 30.0 days is the most", now(30*day+12*drivers.Hour).Lacks(r))
	assert.Contains(t, now(-1).Lacks(r), "lies in the future")
	d := now(day)
	d.BenchDigest = "other"
	assert.Contains(t, d.Lacks(r), "another bench file")
	d = now(day)
	d.ModuleDigest = "other"
	assert.Contains(t, d.Lacks(r), "another file of this module")
	d = now(day)
	d.Maps = map[string]string{"monitor": "what it says since"}
	assert.Contains(t, d.Lacks(r), "another dialect or map")
	r.Missing = []machine.Protection{machine.ProveStop}
	assert.Contains(t, now(day).Lacks(r), "no row for emergency_stop")
	r.Missing, r.Verdict = nil, Fail
	assert.Contains(t, now(day).Lacks(r), "the verdict of run r000007 is fail")
}
