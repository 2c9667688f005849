//go:build linux

package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/drivers/virtual/wire"
)

// framePeriod is the shipped bench's, and what a test's own scheduling may add
// to a printed time.
const framePeriod = 100 * drivers.Millisecond

// faster shortens the limits on silence, which arming proves one by one.
var faster = []edit{
	{"silence: 1 s", "silence: 600 ms", 2}, {"heartbeat: 1 s", "heartbeat: 600 ms", 1}, {"state_of_charge: 84.5 %", "state_of_charge: 70 %", 1},
}

// flow is a direction of current with the instrument that makes it.
type direction struct {
	name    string
	device  virtual.Device
	profile string
}

var directions = []direction{
	{"charging", virtual.DeviceSupply, `profile: into
title: in until something breaks
attended: yes
expect_start: 70 %
steps:
  - charge: {label: into, current: 3 A, hold: 3.60 V/cell, taper: 1 A}
`},
	{"discharging", virtual.DeviceLoad, `profile: outof
title: out until something breaks
attended: yes
expect_start: 70 %
steps:
  - discharge: {label: outof, current: 3 A, cell_end: 3.10 V/cell}
`},
}

// energise starts a run and returns once the instrument's current flows. A
// machine that is too busy to hold every reading's deadline makes a run end
// early, in safety: it is tried again a few times.
func (w *workshop) energise(t *testing.T, way direction) {
	t.Helper()
	file := filepath.Join(w.dir, way.name+".yaml")
	require.NoError(t, os.WriteFile(file, []byte(way.profile), 0o600))
	for try := 1; ; try++ {
		w.do(t, "run", "start", "--bench", practiceBench, "--module", "QK-01", "--profile", file, "--who", "technician")
		ended := w.flows(t, way.device)
		if ended == "" {
			return
		}
		t.Logf("try %d ended before current flowed: %s", try, ended)
		require.Less(t, try, 4, "the bench never came to energise")
		if w.latched(t) != "" {
			w.do(t, "run", "acknowledge", theRun(t, "--server", w.address).ID, "--who", "test engineer", "--reason", "busy machine")
		}
	}
}

// flows waits until the instrument's current flows, or says why the run ended
// without.
func (w *workshop) flows(t *testing.T, d virtual.Device) (ended string) {
	t.Helper()
	look := time.Now()
	awaitThat(t, often, "current of the "+string(d), func() bool {
		if w.current(d) > 2*drivers.Ampere+drivers.Ampere/2 {
			return true
		}
		if time.Since(look) > time.Second {
			look = time.Now()
			if r := theRun(t, "--server", w.address); r.Outcome != "running" {
				ended = r.Outcome + ": " + r.Reason
			}
		}
		return ended != ""
	})
	return ended
}

// zero waits until the instrument's own record says that its current ended, and
// returns when. It flowed until the fault, or the fault proves nothing.
func (w *workshop) zero(t *testing.T, d virtual.Device, fault drivers.Instant) (at drivers.Instant) {
	t.Helper()
	awaitThat(t, often, "zero current of the "+string(d), func() bool {
		before := wire.Word("")
		for _, l := range w.record.lines(t) {
			switch {
			case l.Device != d || l.Word != wire.Flowing && l.Word != wire.Zero:
			case l.At < fault:
				before = l.Word
			case l.Word == wire.Zero:
				require.Equal(t, wire.Flowing, before, "current flowed until the fault")
				at = l.At
				return true
			}
		}
		return false
	})
	return at
}

// energised are the record's lines after an instant that tell of an output on,
// of current, or of a contactor that closed.
func (w *workshop) energised(t *testing.T, after drivers.Instant) (list []string) {
	t.Helper()
	var closed []string
	for _, l := range w.record.lines(t) {
		up := l.Word == wire.On || l.Word == wire.Flowing
		if l.Word == wire.Contacts {
			now := strings.Split(strings.TrimPrefix(l.Text, "none"), "+")
			up = slices.ContainsFunc(now, func(c string) bool { return c != "" && !slices.Contains(closed, c) })
			closed = now
		}
		if up && l.At > after {
			list = append(list, l.String())
		}
	}
	return list
}

// deadFor is how long nothing may energise after a fault.
const deadFor = 1500 * time.Millisecond

// staysDead demands that since the fault, and for a while from now, nothing
// energises (INV-06), and that the contactors are open at the end of it.
func (w *workshop) staysDead(t *testing.T) {
	t.Helper()
	<-time.After(deadFor)
	require.Empty(t, w.energised(t, w.struck), "it energised after the fault")
	var closed drivers.Contactors
	w.rt.Do(func(b *virtual.Bench) { closed = b.BoxPanel().Contacts() })
	require.Zero(t, closed, "contactors closed")
}

// fault is one that takes a way of command or of sight from the bench.
type fault struct {
	name string
	// printed is the path by which the bench's description calls it; %s is the
	// instrument that makes the current.
	printed string
	plugin  bool // that instrument is behind a plugin
	strike  func(t *testing.T, w *workshop, way direction)
	// after is what must be true then, beside current that ended in time.
	after func(t *testing.T, w *workshop)
}

// unseen is what a bench says whose monitor is not heard: the orchestrator and
// the tripwire notice at about the same time.
const unseen = "gives no reading|gave nothing new|monitor no longer answers"

// noAnswer is what is said of an instrument that makes the current.
const noAnswer = "(supply|load) (no longer answers|voltage gives no reading|current gives no reading)"

var faults = []fault{
	{"daemon killed", "daemon dead", false, strikeDaemon(syscall.SIGKILL), returnsLatched},
	{"daemon frozen", "daemon frozen", false, strikeDaemon(syscall.SIGSTOP), thaws},
	{"host killed", "host dead or frozen", false, strikeHost(syscall.SIGKILL), trips("host no longer answers")},
	{"host frozen", "host dead or frozen", false, strikeHost(syscall.SIGSTOP), trips("no frame for")},
	{"instrument cut off", "%s cut off", false, func(t *testing.T, w *workshop, way direction) { w.cut(t, way.device) }, trips(noAnswer)},
	{"monitor cut off", "monitor silent", false, func(t *testing.T, w *workshop, _ direction) { w.cut(t, virtual.DeviceMonitor) }, trips(unseen)},
	// No printed path covers several cables at once; what acts is the same as
	// where the instrument alone is cut off.
	{"everything cut off", "%s cut off", false, func(t *testing.T, w *workshop, _ direction) { w.cut(t, everyDevice...) }, healed(trips(unseen + "|no longer answers"))},
	{"plugin killed", "%s's plugin dead, or itself cut off", true, strikePlugin(syscall.SIGKILL), trips(noAnswer)},
	{"plugin frozen", "%s's plugin dead, or itself cut off", true, strikePlugin(syscall.SIGSTOP), trips(noAnswer)},
	{"host killed before a plugin", "host dead, before a plugin", true, strikeHost(syscall.SIGKILL), trips("host no longer answers")},
	{"host frozen before a plugin", "host frozen, before a plugin", true, strikeHost(syscall.SIGSTOP), trips("no frame for")},
}

var everyDevice = []virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad, virtual.DeviceBox, virtual.DeviceMonitor, virtual.DeviceMeter}

func strikeDaemon(s syscall.Signal) func(*testing.T, *workshop, direction) {
	return func(t *testing.T, w *workshop, _ direction) { w.signal(t, w.cmd.Process, s) }
}

func strikeHost(s syscall.Signal) func(*testing.T, *workshop, direction) {
	return func(t *testing.T, w *workshop, _ direction) { w.signal(t, child(t, w.cmd.Process.Pid, "host"), s) }
}

func strikePlugin(s syscall.Signal) func(*testing.T, *workshop, direction) {
	return func(t *testing.T, w *workshop, _ direction) {
		w.signal(t, child(t, child(t, w.cmd.Process.Pid, "host").Pid, pluginProgram), s)
	}
}

// signal strikes a process. What was frozen does not outlive the test.
func (w *workshop) signal(t *testing.T, p *os.Process, s syscall.Signal) {
	t.Helper()
	w.struck = w.now()
	require.NoError(t, p.Signal(s))
	t.Cleanup(func() { _ = p.Kill() }) // it may be gone
}

// cut swallows every byte from and to instruments; connections stay open.
func (w *workshop) cut(t *testing.T, devices ...virtual.Device) {
	t.Helper()
	w.struck = w.now()
	for _, d := range devices {
		require.NoError(t, w.wires.Misbehave(d, wire.Misbehaviour{Kind: wire.Swallow}))
	}
}

// INV-02, INV-06, INV-12: whatever dies, freezes or is cut off while current
// flows, the current has ended by the instrument's own record within the time
// that the bench's description prints for it.
func TestWiresFaults(t *testing.T) {
	overWires(t)
	for _, f := range faults {
		for _, way := range directions {
			t.Run(f.name+" while "+way.name, func(t *testing.T) {
				t.Parallel()
				behind := virtual.Device("")
				if f.plugin {
					behind = way.device
				}
				w := newWorkshop(t, behind, faster...)
				w.serve(t)
				w.register(t, "QK-01")
				path := strings.ReplaceAll(f.printed, "%s", string(way.device))
				worst, ok := w.printed(t)[path]
				require.True(t, ok, "the bench prints no bounded path %q", path)
				w.energise(t, way)
				f.strike(t, w, way)
				took := w.zero(t, way.device, w.struck).Sub(w.struck)
				t.Logf("MEASURED %s, %s: printed %d ms, zero current after %d ms", f.name, way.name, worst/drivers.Millisecond, took/drivers.Millisecond)
				assert.LessOrEqual(t, took, worst+framePeriod)
				f.after(t, w)
			})
		}
	}
}

// storedFrames demands that a store can be read and holds frames of the run.
func storedFrames(t *testing.T, store string) {
	t.Helper()
	assert.Positive(t, theRun(t, "--store", store).Frames)
}

// returnsLatched starts the daemon again after it was killed: its store is
// readable, nothing energises by itself, and the bench is latched until a person
// acknowledges (INV-05, INV-06).
func returnsLatched(t *testing.T, w *workshop) {
	<-w.ended
	storedFrames(t, filepath.Join(w.dir, "rig.db"))
	w.serve(t)
	assert.Contains(t, w.said(t), "had no clean end and is marked interrupted")
	w.staysDead(t)
	out, err := w.client(t, "run", "start", "--bench", practiceBench, "--module", "QK-01", "--profile", "quick")
	require.Error(t, err)
	assert.Contains(t, out, "latched")
	assert.Equal(t, "interrupted", theRun(t, "--server", w.address).Outcome)
	w.do(t, "run", "acknowledge", theRun(t, "--server", w.address).ID, "--who", "test engineer", "--reason", "daemon was killed in a test")
	w.staysDead(t)
}

// thaws looks at the store of a frozen daemon, of which a kill would leave just
// this, and lets it go on: it notices that it lost time.
func thaws(t *testing.T, w *workshop) {
	b, err := os.ReadFile(filepath.Join(w.dir, "rig.db"))
	require.NoError(t, err)
	copied := filepath.Join(w.dir, "copy.db")
	require.NoError(t, os.WriteFile(copied, b, 0o600))
	storedFrames(t, copied)
	w.staysDead(t)
	require.NoError(t, w.cmd.Process.Signal(syscall.SIGCONT))
	trips("clock jumped")(t, w)
}

// healed lets the bytes through again after a while of nothing: with no reading
// of anything the end of a trip cannot be measured (INV-04), so the run goes on.
func healed(then func(*testing.T, *workshop)) func(*testing.T, *workshop) {
	return func(t *testing.T, w *workshop) {
		awaitThat(t, seldom, "the bench is latched", func() bool { return w.latched(t) != "" })
		w.staysDead(t)
		assert.NotEqual(t, "tripped", theRun(t, "--server", w.address).Outcome, "it ended though nothing was measured")
		for _, d := range everyDevice {
			require.NoError(t, w.wires.Misbehave(d, wire.Misbehaviour{}))
		}
		then(t, w)
	}
}

// latched is why the bench is latched, or empty.
func (w *workshop) latched(t *testing.T) string {
	t.Helper()
	var got struct {
		Benches []struct {
			Latched string `json:"latched"`
		} `json:"benches"`
	}
	w.json(t, &got, "bench", "list")
	require.Len(t, got.Benches, 1)
	return got.Benches[0].Latched
}

// trips demands that the daemon, alive, has ended the run by a trip for this
// reason, keeps the bench latched, and energises nothing.
func trips(reason string) func(*testing.T, *workshop) {
	return func(t *testing.T, w *workshop) {
		awaitThat(t, seldom, "the run has ended", func() bool { return theRun(t, "--server", w.address).Outcome != "running" })
		assert.Equal(t, "tripped", theRun(t, "--server", w.address).Outcome)
		assert.Regexp(t, reason, w.latched(t))
		w.staysDead(t)
	}
}
