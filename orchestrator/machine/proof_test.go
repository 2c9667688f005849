package machine

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// proofRun plays a plan of proofs with a host that halts everything when its lease
// is not renewed, and a person who presses the stop while asked and releases it
// afterwards.
type proofRun struct {
	*session
	w     *witness
	rows  []Proof
	trips []Record
	end   *Finish
	// meddle, where set, is called before each turn.
	meddle func(r *proofRun)

	renewed drivers.Instant
	out     bool // the lease ran out
}

func newProofRun(t *testing.T, plan func() *Plan) *proofRun {
	s, w := newWitnessed(t, plan)
	r := &proofRun{session: s, w: w}
	s.toy.drain = 10 * drivers.Second
	s.record = func(e Event, actions []Action) {
		w.see(e, actions)
		for i, a := range actions {
			switch a := a.(type) {
			case Proof:
				r.rows = append(r.rows, a)
				if _, halts := actions[0].(Halt); !halts && !a.Passed {
					t.Errorf("INV-03: a row fails before anything is halted: %v at %d", a, i)
				}
			case Record:
				if a.Kind == RecordTrip {
					r.trips = append(r.trips, a)
				}
			case Finish:
				r.end = &a
			}
		}
	}
	return r
}

// play runs to the end, or for so long.
func (r *proofRun) play(most drivers.Span) {
	r.event(Start{At: r.toy.now, Run: "R", Who: "tester", Epoch: r.m.Epoch()})
	for until := r.toy.now.Add(most); r.end == nil && r.toy.now < until; {
		if r.meddle != nil {
			r.meddle(r)
		}
		r.lease()
		r.toy.faults["estop"] = r.m.PressesStop() && r.stage() == "current" || r.m.Phase() == PhaseTripped && r.m.PressesStop()
		if r.toy.faults["estop"] {
			r.toy.obey(SwitchTo{})
		}
		if r.m.Asks() {
			r.event(Operator{At: r.toy.now, Verb: VerbConfirm, Who: "tester"})
		}
		r.turn(r.toy.now.Add(drivers.Second))
	}
	require.Empty(r.t, r.w.broken)
}

// lease is the host: without a renewal for the lease's length everything is off.
func (r *proofRun) lease() {
	switch {
	case r.m.Renews():
		r.renewed, r.out = r.toy.now, false
	case r.m.Energised() && !r.out && r.toy.now.Sub(r.renewed) >= drivers.Second:
		r.out = true
		r.toy.obey(SwitchTo{})
		if !r.toy.faults["keeps its output"] {
			r.toy.supply.On, r.toy.load.On = false, false
		}
	}
}

func (r *proofRun) stage() string {
	var v View
	r.m.Look(&v)
	return v.Stage
}

// Every kind of protection is proved one after the other, each row with what it
// exercised: an injected or held reading, or a limit moved past its reading, never
// counts for the sensor.
func TestProofEvery(t *testing.T) {
	r := newProofRun(t, everyProof)
	r.play(10 * drivers.Minute)
	require.NotNil(t, r.end)
	require.Equal(t, OutcomeDone, r.end.Outcome, r.end.Reason)
	require.Empty(t, r.trips)
	want := map[Protection]Link{
		ProveCellHigh: LinkSensor | LinkMonitor | LinkGuard, ProveCellLow: LinkSensor | LinkMonitor | LinkGuard,
		ProveChargeHigh: LinkSensor | LinkMonitor | LinkGuard, ProveDischargeHigh: LinkSensor | LinkMonitor | LinkGuard,
		ProveTempHigh: LinkMonitor | LinkGuard, ProveTempLow: LinkMonitor | LinkGuard,
		ProveStale: LinkGuard, ProveLease: 0, ProveStop: LinkSensor | LinkGuard,
	}
	require.Len(t, r.rows, len(want))
	for _, row := range r.rows {
		require.True(t, row.Passed, row)
		require.Equal(t, want[row.Protection]|LinkInstrument|LinkContactor, row.Links, row.Protection)
		require.Equal(t, "module_current", row.ZeroBy)
		require.Equal(t, "link_voltage", row.OpenBy)
		require.LessOrEqual(t, row.ToOff, row.Off, row)
		require.LessOrEqual(t, row.ToZero, row.Zero, row)
		require.LessOrEqual(t, row.ToOpen, row.Open, row)
		parsed, err := ParseAction(row.String())
		require.NoError(t, err)
		require.Equal(t, row, parsed)
	}
}

// A proof on a bench that disobeys, or whose readings lie, is never a pass: the
// row fails, and where the trip itself went wrong the bench latches (INV-04,
// INV-05).
func TestProofUnderFaults(t *testing.T) {
	for _, fault := range []string{"keeps its output", "does not open", "welded", "no frames", "link kept", "tap jumps", "shunt alone"} {
		for _, one := range []struct {
			d Direction
			e Expect
		}{{Charging, cellHigh}, {Discharging, cellLow}, {Charging, chargeHigh}, {Discharging, drawHigh}, {Charging, tooWarm}, {Charging, tooCold}, {Charging, staleData}, {Charging, leaseEnds}, {Charging, stopButton}} {
			lies := fault == "tap jumps" || fault == "shunt alone"
			if fault == "tap jumps" && one.e.Protection != ProveCellHigh || fault == "shunt alone" && one.e.Protection != ProveChargeHigh {
				continue
			}
			if fault == "keeps its output" && one.e.Protection == ProveStop {
				continue // pressing it has opened the path before any command: see TestProofStopOutput
			}
			t.Run(fault+" "+string(one.e.Protection), func(t *testing.T) {
				r := newProofRun(t, func() *Plan {
					return proofPlan(closing(0), proof(1, one.d, one.e), Instruction{Op: OpAsk, Step: 2, Ask: &Ask{Text: "release"}})
				})
				r.meddle = func(r *proofRun) {
					if r.stage() != "current" {
						return
					}
					switch fault {
					case "link kept":
						r.toy.drain = 0
					case "tap jumps": // and no current flows that could move it
						r.toy.faults["fuse blown"] = true
						r.toy.offset[3] = 20_000
					case "shunt alone":
						r.toy.faults["shunt reads double"] = true
					default:
						r.toy.faults[fault] = true
					}
				}
				r.play(5 * drivers.Minute)
				for _, row := range r.rows {
					require.False(t, row.Passed, row)
				}
				if lies {
					require.NotEmpty(t, r.trips)
				}
				require.NotEmpty(t, r.rows, "the row is told as failed")
				if r.end != nil {
					require.NotEqual(t, OutcomeDone, r.end.Outcome)
				}
			})
		}
	}
}

// A supply that ignores off holds the link up although the emergency stop has
// opened the path, and reads on: the row fails.
func TestProofStopOutput(t *testing.T) {
	r := newProofRun(t, func() *Plan {
		return proofPlan(closing(0), proof(1, Charging, stopButton), Instruction{Op: OpAsk, Step: 2, Ask: &Ask{Text: "release"}})
	})
	r.meddle = func(r *proofRun) {
		if r.stage() == "current" {
			r.toy.faults["keeps its output"] = true
		}
	}
	r.play(5 * drivers.Minute)
	require.Len(t, r.rows, 1)
	require.False(t, r.rows[0].Passed)
	require.NotEmpty(t, r.trips)
}

// A breach of a true limit in the middle of a proof is no proof's: it trips and
// latches, before the expected one, with it, and while the bench de-energises
// after it (INV-03, INV-05).
func TestProofMasksNothing(t *testing.T) {
	for _, p := range []Protection{ProveCellHigh, ProveLease, ProveStop, ProveStale, ProveTempHigh} {
		for _, when := range []string{"flows", "tripped"} {
			t.Run(string(p)+" "+when, func(t *testing.T) {
				r := newProofRun(t, everyProof)
				done := false
				r.meddle = func(r *proofRun) {
					m := r.m
					if done || m.proof.ins == nil || m.proof.ins.Protection != p || !m.proof.armed {
						return
					}
					if when == "flows" && m.Phase() == PhaseRunning || when == "tripped" && m.Phase() == PhaseTripped {
						done = true
						for c := range r.toy.charge { // every cell is truly over its limit
							r.toy.charge[c] += 2 * toyCapacity
						}
					}
				}
				r.play(10 * drivers.Minute)
				require.True(t, done)
				require.NotEmpty(t, r.trips)
				require.Contains(t, r.trips[0].Text, "cell_high")
				require.EqualValues(t, 3_600_000, r.trips[0].Finding.Limit, "the true limit, not the shifted one")
				require.Equal(t, PhaseLatched, r.m.Phase())
				require.False(t, r.rows[len(r.rows)-1].Passed)
			})
		}
	}
}

// What fails while an expected trip de-energises makes it a trip like any other.
func TestProofSpoiled(t *testing.T) {
	for _, line := range []string{
		`store_failed at=NOW err="disk full"`, `lost at=NOW device="supply" reason="no answer"`, `done at=NOW epoch=EPOCH op="halt" err="no answer"`,
	} {
		r := newProofRun(t, everyProof)
		done := false
		r.meddle = func(r *proofRun) {
			if !done && r.m.Phase() == PhaseTripped {
				done = true
				r.command("event " + line)
			}
		}
		r.play(10 * drivers.Minute)
		require.True(t, done)
		require.NotEmpty(t, r.trips, line)
		require.Equal(t, PhaseLatched, r.m.Phase(), line)
	}
}

// A person's stop while an expected trip de-energises ends the run (INV-13).
func TestProofStopped(t *testing.T) {
	r := newProofRun(t, everyProof)
	r.meddle = func(r *proofRun) {
		if r.m.Phase() == PhaseTripped {
			r.event(Operator{At: r.toy.now, Verb: VerbStop, Who: "tester"})
		}
	}
	r.play(10 * drivers.Minute)
	require.NotNil(t, r.end)
	require.Equal(t, OutcomeStopped, r.end.Outcome)
	require.Len(t, r.rows, 1)
}

// A pause takes the shift away, and the lease is renewed again; the proof then
// begins anew.
func TestProofPaused(t *testing.T) {
	r := newProofRun(t, func() *Plan { return proofPlan(closing(0), proof(1, Charging, leaseEnds)) })
	paused := false
	r.meddle = func(r *proofRun) {
		switch {
		case !paused && r.m.proof.holds(ProveLease):
			paused = true
			require.False(t, r.m.Renews())
			r.event(Operator{At: r.toy.now, Verb: VerbPause, Who: "tester"})
			require.True(t, r.m.Renews())
		case r.m.Phase() == PhasePaused:
			r.event(Operator{At: r.toy.now, Verb: VerbResume, Who: "tester"})
			require.True(t, r.m.Renews())
		}
	}
	r.play(5 * drivers.Minute)
	require.True(t, paused)
	require.Len(t, r.rows, 1)
	require.True(t, r.rows[0].Passed, r.rows[0])
}

// Where nothing is left between the reading and the true limit, nothing is shifted
// and the run ends.
func TestProofNoRoom(t *testing.T) {
	r := newProofRun(t, func() *Plan {
		p := proofPlan(closing(0), proof(1, Charging, cellHigh))
		p.Code[1].Drive.Expect.Beyond = 400_000
		return p
	})
	r.play(5 * drivers.Minute)
	require.NotNil(t, r.end)
	require.Equal(t, OutcomeFailed, r.end.Outcome)
	require.Contains(t, r.end.Reason, "no room")
	require.Len(t, r.rows, 1)
	require.False(t, r.rows[0].Passed)
}
