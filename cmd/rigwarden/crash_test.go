//go:build unix

package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Daemons under load, killed at drawn instants. Each stands on the file that the
// one before it left. INV-14: what clients were told is stored, is stored, and at
// most the last second is gone. INV-05: benches that may have been energised are
// latched. INV-06: nothing energises by itself afterwards; the plant judges.
//
// RIGWARDEN_DAEMON_KILLS says how often, RIGWARDEN_SEED which kill comes first.

func TestINV14KilledDaemons(t *testing.T) {
	killDaemons(t, 2, false)
}

// TestINV14KilledDaemonsInVirtualTime kills daemons whose runs begin, are sealed
// and end many times a second.
func TestINV14KilledDaemonsInVirtualTime(t *testing.T) {
	killDaemons(t, 3, true)
}

// crashThings bounds what clients are told in one of the few lives; in real time
// that is some 50 a second, and a bench energises after three. Where there are
// many, they live up to three times as long.
const crashThings = 480

// crashLives is how many daemons stand on one file.
const crashLives = 5

func killDaemons(t *testing.T, few int, virtual bool) {
	if testing.Short() {
		t.Skip("daemons of their own, killed, are not under the race detector; runs without -short")
	}
	t.Parallel()
	number := func(name string, otherwise int) int {
		v := os.Getenv(name)
		if v == "" {
			return otherwise
		}
		n, err := strconv.Atoi(v)
		require.NoError(t, err, name)
		return n
	}
	// Of the few, the first dies while its benches are energised, the second while
	// it opens them.
	kills, seed := number("RIGWARDEN_DAEMON_KILLS", few), number("RIGWARDEN_SEED", 7)
	for done := 0; done < kills; done += crashLives {
		first, n := seed+done, min(kills-done, crashLives)
		t.Run(fmt.Sprintf("seeds-%d-to-%d", first, first+n-1), func(t *testing.T) {
			if kills > crashLives {
				t.Parallel()
			}
			c := &crash{t: t, dir: t.TempDir(), virtual: virtual, many: kills > few, known: map[string]known{}, latched: map[string]need{}}
			for i := range n {
				c.live(uint64(first + i))
			}
			c.last()
		})
	}
}

// crash is a file, and what is known to be in it.
type crash struct {
	t       *testing.T
	dir     string
	virtual bool
	many    bool // lives, each longer
	lives   int
	known   map[string]known // by run, as the file was at the latest kill
	latched map[string]need  // whether a bench must be latched

	registered bool
	tally      struct {
		kills, lines, frames, latches, flowed int
		lost                                  drivers.Span
	}
}

// known is what is known of a run.
type known struct {
	info   store.RunInfo
	frames []drivers.Frame
	lines  []string
}

// need says whether a bench must be latched at the next start, and for which run.
type need struct {
	must, may bool
	run       string
}

// crashBenches and what is under test on each.
var crashBenches = []struct{ bench, module, profile string }{
	{"practice", "QK-01", "quick"}, {"quay-1", "KW-01", "charge"},
}

func (c *crash) path() string    { return filepath.Join(c.dir, "rig.db") }
func (c *crash) address() string { return "unix:" + filepath.Join(c.dir, "s") }

// live starts a daemon, loads it, kills it, and judges what is left.
func (c *crash) live(seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 17))
	what := fmt.Sprintf("seed %d", seed)
	spread := time.Duration(rng.IntN(500)) * time.Millisecond
	early, things := rng.IntN(4) == 0, rng.IntN(crashThings)
	if c.many {
		things *= 3
	}
	if c.virtual {
		things /= 6 // several runs by then
	}
	if lines := rng.IntN(40); early && (c.lives > 0 || c.many) {
		c.early(what, lines, spread)
		return
	}
	l := c.serve(what)
	ctx, cancel := context.WithTimeout(context.Background(), 4*awaitMost)
	defer cancel()
	s, err := dial(c.address())
	require.NoError(c.t, err, what)
	w := newWitness(s, ctx)
	c.register(w)
	c.afterwards(l, w)
	for _, b := range crashBenches {
		c.begin(w, b.bench)
	}
	l.kill(w, things, spread)
	w.close()
	c.judge(l, w)
}

// early kills a daemon while it makes the file, recovers, or opens its benches.
func (c *crash) early(what string, lines int, later time.Duration) {
	for range refusedMost {
		l := c.start(what)
		if l.until(lines, serving); !l.refused {
			l.kill(nil, 0, later)
		}
		c.judge(l, nil)
		if !l.refused {
			return
		}
	}
	require.FailNow(c.t, "the machine is too busy for the benches' leases", what)
}

// register makes the articles known, or finds them known from a life before.
func (c *crash) register(w *witness) {
	got, err := w.s.modules.List(w.ctx, &rigwardenv1.ListModulesRequest{})
	require.NoError(c.t, err)
	if c.registered {
		require.Len(c.t, got.GetModules(), len(crashBenches), "a registered module is lost")
		return
	}
	d := &daemon{dir: c.dir, address: c.address()}
	for _, b := range crashBenches {
		d.register(c.t, b.module)
	}
	c.registered = true
}

func (c *crash) request(w *witness, bench string) (*rigwardenv1.Run, error) {
	for _, b := range crashBenches {
		if b.bench == bench {
			got, err := w.s.runs.Start(w.ctx, &rigwardenv1.StartRunRequest{
				Bench: b.bench, Module: b.module, Who: "engineer",
				Profile: &rigwardenv1.Source{Source: &rigwardenv1.Source_Name{Name: b.profile}},
			})
			return got.GetRun(), err
		}
	}
	panic(bench)
}

// notYet is what a bench says whose run has just ended.
var notYet = regexp.MustCompile("is busy|has not ended")

// begin starts a run and has it followed.
func (c *crash) begin(w *witness, bench string) {
	run, err := c.request(w, bench)
	for err != nil && notYet.MatchString(err.Error()) && w.ctx.Err() == nil {
		// The end is stored a moment before the bench is free.
		select {
		case <-time.After(5 * time.Millisecond):
		case <-w.ctx.Done():
		}
		run, err = c.request(w, bench)
	}
	require.NoError(c.t, err, "start on %s", bench)
	w.begun = append(w.begun, run.GetId())
	w.follow(run.GetId(), bench)
}

// riskMost is what may be lost: a second.
const riskMost, crashPeriod = drivers.Second, 100 * drivers.Millisecond

// judge looks at what a killed daemon left, before anybody recovers it.
func (c *crash) judge(l *life, w *witness) {
	if !c.virtual {
		l.zero()
	}
	s, err := store.Open(c.path(), store.Options{ReadOnly: true, Timeout: awaitMost})
	if !c.registered && (errors.Is(err, store.ErrForeign) || errors.Is(err, os.ErrNotExist)) {
		return // killed before anything was stored
	}
	require.NoError(c.t, err, l.what)
	defer s.Close()
	require.NoError(c.t, s.Check(), l.what)
	runs, err := s.Runs(store.RunFilter{})
	require.NoError(c.t, err, l.what)
	for _, info := range runs {
		k := c.read(l, s, info)
		if before, old := c.known[info.ID]; old {
			require.Equal(c.t, before.frames, k.frames, "%s: frames of %s, of an earlier life", l.what, info.ID)
			require.Equal(c.t, before.lines, k.lines, "%s: lines of %s, of an earlier life", l.what, info.ID)
			continue
		}
		c.known[info.ID] = k
		c.told(l, w, k)
		c.latch(k)
	}
	if w != nil {
		for _, id := range w.begun {
			require.Contains(c.t, c.known, id, "%s: a run that was begun is lost", l.what)
		}
	}
}

// read reads a run whole.
func (c *crash) read(l *life, s *store.Store, info store.RunInfo) known {
	k := known{info: info}
	require.NoError(c.t, s.Frames(info.ID, 0, 0, func(f *drivers.Frame) error {
		k.frames = append(k.frames, *f.Clone())
		return nil
	}), l.what)
	require.NoError(c.t, s.Events(info.ID, 0, func(e store.Event) error {
		k.lines = append(k.lines, lineText(e.Seq, int64(e.At), e.Line))
		return nil
	}), l.what)
	require.NotEmpty(c.t, info.Outcome, "%s: run %s looks as if it went on", l.what, info.ID)
	require.Equal(c.t, uint64(len(k.frames)), info.Frames, "%s: run %s", l.what, info.ID)
	if n := len(k.frames); n > 0 {
		require.Equal(c.t, k.frames[n-1].At, info.LastFrame, "%s: the last good frame of %s", l.what, info.ID)
	}
	return k
}

// told holds a run against what clients were told of it.
func (c *crash) told(l *life, w *witness, k known) {
	id := k.info.ID
	require.NotNil(c.t, w, "%s: run %s comes from nowhere", l.what, id)
	lines := w.lines[id]
	require.LessOrEqual(c.t, len(lines), len(k.lines), "%s: acknowledged lines of %s are lost", l.what, id)
	if len(lines) > 0 {
		require.Equal(c.t, lines, k.lines[:len(lines):len(lines)], "%s: lines of %s", l.what, id)
	}
	frames, err := w.frames(id)
	require.NoError(c.t, err, l.what)
	require.LessOrEqual(c.t, len(frames), len(k.frames), "%s: acknowledged frames of %s are lost", l.what, id)
	if len(frames) > 0 {
		require.Equal(c.t, frames, k.frames[:len(frames):len(frames)], "%s: frames of %s", l.what, id)
	}
	c.tally.lines += len(lines)
	c.tally.frames += len(frames)
	if c.virtual || k.info.Outcome != machine.OutcomeInterrupted {
		return // seconds are not the clock's, or all of it is stored
	}
	last := max(k.info.Start, k.info.LastFrame)
	lost := w.lost(id, last, crashPeriod)
	c.tally.lost = max(c.tally.lost, lost)
	switch w.phase[id] {
	case rigwardenv1.Phase_PHASE_TRIPPED, rigwardenv1.Phase_PHASE_LATCHED:
		// The daemon itself ends a run of which more is at risk.
	default:
		require.LessOrEqual(c.t, lost, riskMost, "%s: more than the last second of %s is gone, which has frames until %d; shown were %d in phase %s", l.what, id, last, w.shown[id], w.phase[id])
	}
}

var (
	permitLine = regexp.MustCompile(`^\d+ \d+ permit `)
	tripLine   = regexp.MustCompile(`^\d+ \d+ record kind="trip"`)
	finishLine = regexp.MustCompile(`^\d+ \d+ finish `)
)

// latch notes what a run of the killed daemon demands of its bench: a permit that
// no proven end answers, or a trip, latches. A run that was just finishing may
// have been proven safe.
func (c *crash) latch(k known) {
	has := func(r *regexp.Regexp) bool { return slices.ContainsFunc(k.lines, r.MatchString) }
	n := need{run: k.info.ID}
	n.must = has(tripLine) || k.info.Outcome == machine.OutcomeTripped
	if k.info.Outcome == machine.OutcomeInterrupted && has(permitLine) {
		n.may = true
		n.must = n.must || !has(finishLine)
	}
	if n.must || n.may {
		c.latched[k.info.Bench] = n
	}
}

// afterwards judges a daemon that stands on the file of a killed one, before
// anybody asks it for anything, and acknowledges.
func (c *crash) afterwards(l *life, w *witness) {
	moment := time.NewTimer(300 * time.Millisecond)
	defer moment.Stop()
	select {
	case <-moment.C:
	case <-l.gone:
		require.FailNow(c.t, "the daemon ended by itself", "%s: %s", l.what, l.log())
	}
	for id, k := range c.known {
		got, err := w.s.runs.Get(w.ctx, &rigwardenv1.GetRunRequest{Run: id})
		require.NoError(c.t, err, l.what)
		require.Equal(c.t, k.info.Frames, got.GetRun().GetFrames(), "%s: frames of %s", l.what, id)
		require.Equal(c.t, int64(k.info.LastFrame), got.GetRun().GetLastFrameUs(), "%s: the last good frame of %s", l.what, id)
		if k.info.Outcome == machine.OutcomeInterrupted {
			require.Equal(c.t, rigwardenv1.Outcome_OUTCOME_INTERRUPTED, got.GetRun().GetOutcome(), "%s: %s", l.what, id)
		}
	}
	for _, b := range crashBenches {
		got, err := w.s.benches.Get(w.ctx, &rigwardenv1.GetBenchRequest{Bench: b.bench})
		require.NoError(c.t, err, l.what)
		st, need := got.GetStatus(), c.latched[b.bench]
		require.Contains(c.t, []rigwardenv1.Phase{rigwardenv1.Phase_PHASE_IDLE, rigwardenv1.Phase_PHASE_LATCHED}, st.GetPhase(), l.what)
		require.False(c.t, st.GetClosed(), l.what)
		require.Zero(c.t, st.GetCommandedUa(), l.what)
		latched := st.GetLatched() != ""
		require.True(c.t, latched || !need.must, "%s: %s is not latched", l.what, b.bench)
		require.True(c.t, !latched || need.must || need.may, "%s: %s is latched: %s", l.what, b.bench, st.GetLatched())
		if latched {
			c.acknowledge(l, w, b.bench, need.run)
		}
		delete(c.latched, b.bench)
	}
	l.never()
}

// acknowledge clears the latch that refuses a run.
func (c *crash) acknowledge(l *life, w *witness, bench, run string) {
	_, err := c.request(w, bench)
	require.ErrorContains(c.t, err, "latched", l.what)
	l.never()
	_, err = w.s.runs.Command(w.ctx, &rigwardenv1.CommandRunRequest{Run: run, Verb: rigwardenv1.Verb_VERB_ACKNOWLEDGE, Who: "engineer", Reason: "killed"})
	require.NoError(c.t, err, l.what)
	c.tally.latches++
}

// last starts a daemon once more, and ends it as a person does.
func (c *crash) last() {
	l := c.serve("after the last kill")
	ctx, cancel := context.WithTimeout(context.Background(), 2*awaitMost)
	defer cancel()
	s, err := dial(c.address())
	require.NoError(c.t, err)
	w := newWitness(s, ctx)
	defer w.close()
	c.afterwards(l, w)
	require.NoError(c.t, l.cmd.Process.Signal(syscall.SIGTERM))
	<-l.gone
	require.True(c.t, l.cmd.ProcessState.Success(), l.log())
	l.never()
	c.judge(l, nil)
	c.t.Logf("%d kills: %d lines and %d frames were acknowledged and are there, of %d runs; %d latches; current had flowed in %d lives; at most %d ms were not stored",
		c.tally.kills, c.tally.lines, c.tally.frames, len(c.known), c.tally.latches, c.tally.flowed, c.tally.lost/drivers.Millisecond)
}
