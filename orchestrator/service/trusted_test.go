package service

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// begin tries to start a profile and lets it go again at once.
func (r *rig) begin(t *testing.T, profile *rigwardenv1.Source) error {
	t.Helper()
	r.bench.publish(bench.Status{View: machine.View{Phase: machine.PhaseIdle}})
	_, err := r.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01", Profile: profile, Who: "technician"})
	if err == nil {
		r.end()
	}
	return err
}

// end ends the latest run.
func (r *rig) end() {
	r.bench.started[len(r.bench.started)-1].Finished(bench.Ending{Outcome: machine.OutcomeStopped, At: drivers.Instant(testStart.UnixMicro())})
	<-r.ended
}

func named(profile string) *rigwardenv1.Source {
	return &rigwardenv1.Source{Source: &rigwardenv1.Source_Name{Name: profile}}
}

func inFile(text string) *rigwardenv1.Source {
	return &rigwardenv1.Source{Source: &rigwardenv1.Source_File{File: &rigwardenv1.SourceFile{Name: "mine.yaml", Content: []byte(text)}}}
}

const shortCharge = "profile: mine\nattended: yes\nsteps:\n  - charge: {current: 10 A, hold: 3.45 V/cell, for: 5 min}\n"

// A module that nobody measured with a hand meter could be energised: the first
// checks were kept and asked of nobody (INV-08).
func TestNothingEnergisesAModuleBeforeItsFirstChecks(t *testing.T) {
	r := newRig(t)
	r.register(t, "KW-01")
	// Rests close nothing: the watching of a fresh module needs no check.
	require.NoError(t, r.begin(t, named("watch")))
	r.bench.started = nil

	e := wantKind(t, r.begin(t, inFile(shortCharge)), KindRefused)
	require.Len(t, e.Problems, 1)
	assert.Equal(t, "no first-voltage check was made", e.Problems[0].What)
	assert.Contains(t, e.Problems[0].Want, "rigwarden module check KW-01 --total")
	e = wantKind(t, r.begin(t, nil), KindRefused) // the shipped qualify has nobody beside it
	require.Len(t, e.Problems, 2)
	assert.Equal(t, "no insulation check was made", e.Problems[1].What)
	assert.Contains(t, e.Problems[1].Want, "rigwarden module insulation KW-01 --total")

	// A reversed group costs two groups' voltage: made, and not good.
	require.Equal(t, "stop", r.hand(t, "KW-01", 71_500_000))
	e = wantKind(t, r.begin(t, inFile(shortCharge)), KindRefused)
	require.Len(t, e.Problems, 1)
	assert.Contains(t, e.Problems[0].What, "the first-voltage check of 2026-")
	assert.Contains(t, e.Problems[0].What, "is stop: the terminals read 71.500 V")

	require.Equal(t, "good", r.hand(t, "KW-01", 78_020_000))
	require.NoError(t, r.begin(t, inFile(shortCharge)))
	require.NoError(t, r.begin(t, named("first-checks")))
	wantKind(t, r.begin(t, nil), KindRefused)
	// A resistor that had no contact measured nothing.
	require.Equal(t, "unproven", r.insulation(t, "KW-01", 61_700_000))
	e = wantKind(t, r.begin(t, nil), KindRefused)
	assert.Contains(t, e.Problems[0].What, "is unproven: ")
	require.Equal(t, "good", r.insulation(t, "KW-01", 3_570_000))
	require.NoError(t, r.begin(t, nil))

	// Another file is another module.
	text, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	_, err = r.modules.Register(within(t), &rigwardenv1.RegisterModuleRequest{File: &rigwardenv1.SourceFile{Name: "KW-01.yaml", Content: append(text, "# rebuilt\n"...)}})
	require.NoError(t, err)
	e = wantKind(t, r.begin(t, inFile(shortCharge)), KindRefused)
	assert.Contains(t, e.Problems[0].What, "was made with another file of this module")
	assert.Len(t, r.bench.started, 3)
}

// found enters what a reader found in the taps of a run.
func (r *rig) found(t *testing.T, run, grade string) {
	t.Helper()
	_, err := r.checks.Make(within(t), &rigwardenv1.MakeCheckRequest{Serial: "KW-01", Who: "technician", Method: &rigwardenv1.MakeCheckRequest_Run{Run: &rigwardenv1.RunFindings{
		Run: run, Method: "taps", Input: "taps at rest", Findings: []*rigwardenv1.CheckFinding{{Kind: "never_charge", Grade: grade, What: "cell 07 reads 1.900 V", Do: "Quarantine it."}}}}})
	require.NoError(t, err)
}

// What the taps showed holds too: something to put right lets a person try again,
// a module in quarantine is energised by nobody.
func TestAModuleInQuarantineIsNotEnergised(t *testing.T) {
	r := newRig(t)
	run, _ := r.start(t)
	r.end()
	r.found(t, run.GetId(), "stop")
	require.NoError(t, r.begin(t, named("first-checks")))
	e := wantKind(t, r.begin(t, nil), KindRefused)
	require.Len(t, e.Problems, 1)
	assert.Contains(t, e.Problems[0].What, "the taps check of run "+run.GetId())
	for _, grade := range []string{"quarantine", "danger"} {
		r.found(t, run.GetId(), grade)
		e = wantKind(t, r.begin(t, named("first-checks")), KindRefused)
		assert.Contains(t, e.Problems[0].What, "says "+grade+": cell 07 reads 1.900 V")
		assert.Contains(t, e.Problems[0].Want, "profile watch")
		require.NoError(t, r.begin(t, named("watch")), "to look again")
	}
	r.found(t, run.GetId(), "good")
	require.NoError(t, r.begin(t, nil))
}
