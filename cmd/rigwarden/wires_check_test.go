//go:build linux

package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/drivers/virtual/wire"
)

// exitAfter runs a command and returns its exit code and what it printed.
func exitAfter(t *testing.T, args ...string) (code int, out string) {
	t.Helper()
	b, err := exec.Command(realTime, args...).Output()
	if err != nil {
		var exit *exec.ExitError
		require.ErrorAs(t, err, &exit)
		return exit.ExitCode(), string(b) + string(exit.Stderr)
	}
	return 0, string(b)
}

// A bench over wires is looked at and nothing is energised, by the instruments'
// own record; what is wrong is named with its instrument (INV-08).
func TestWiresCheck(t *testing.T) {
	overWires(t)
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, w *workshop)
		code  int
		role  string // of the finding
		what  string // matches it
	}{
		{name: "ready"},
		{name: "wrong identity", code: exitNotPassed, role: "supply", what: "wrong device: its maker is", spoil: func(t *testing.T, w *workshop) {
			require.NoError(t, w.wires.Misbehave(virtual.DeviceSupply, wire.Misbehaviour{Kind: wire.WrongIdentity}))
		}},
		{name: "off", code: exitNotPassed, role: "meter", what: "connection refused", spoil: func(t *testing.T, w *workshop) {
			w.change(t, edit{w.wires.Addresses().Meter, freePorts(t).Meter, 1})
		}},
		{name: "garbage", code: exitNotPassed, role: "load", what: "load at tcp", spoil: func(t *testing.T, w *workshop) {
			require.NoError(t, w.wires.Misbehave(virtual.DeviceLoad, wire.Misbehaviour{Kind: wire.Garbage}))
		}},
		// Welded: a box that was not in touch is told to open before it is read.
		{name: "closed contactor", code: exitNotPassed, role: "box", what: "contactors are closed: negative", spoil: func(t *testing.T, w *workshop) {
			require.NoError(t, w.wires.Inject(virtual.Fault{Kind: virtual.ContactorWelded, When: virtual.Trigger{On: virtual.AfterStart}, Contactor: drivers.BoxNegative}))
			w.rt.Do(func(b *virtual.Bench) {
				b.BoxPanel().Feed()
				b.BoxPanel().Energise(drivers.BoxNegative)
			})
			awaitThat(t, often, "the contactor", func() (closed bool) {
				w.rt.Do(func(b *virtual.Bench) { closed = b.BoxPanel().Contacts() == drivers.BoxNegative })
				return closed
			})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := newWorkshop(t, "")
			if c.spoil != nil {
				c.spoil(t, w)
			}
			w.struck = w.now()
			t.Cleanup(func() {
				if t.Failed() {
					t.Log(w.record.lines(t))
				}
			})
			code, out := exitAfter(t, "bench", "check", w.bench, "--json")
			require.Equal(t, c.code, code, out)
			var got checked
			require.NoError(t, json.Unmarshal([]byte(out), &got), out)
			assert.Equal(t, c.code == 0, got.Ready)
			var wrong []string
			for _, f := range got.Findings {
				if !f.Advice {
					wrong = append(wrong, f.Role+": "+f.What)
				}
			}
			t.Log(wrong)
			if c.code == 0 {
				assert.Empty(t, wrong)
			} else if assert.NotEmpty(t, wrong) {
				assert.Regexp(t, "^"+c.role+": .*"+c.what, wrong[0])
				for _, f := range wrong {
					assert.True(t, strings.HasPrefix(f, c.role+": "), "only the %s is wrong: %s", c.role, f)
				}
			}
			require.Len(t, got.Instruments, 5)
			for _, in := range got.Instruments {
				if in.Role != c.role {
					assert.True(t, in.Answers, in.Role)
				}
			}
			assert.Empty(t, w.energised(t, w.struck), "what the instruments recorded")
		})
	}
}

// change changes the bench file, and not what the instruments are.
func (w *workshop) change(t *testing.T, e edit) {
	t.Helper()
	text, err := os.ReadFile(w.bench)
	require.NoError(t, err)
	require.Equal(t, e.times, strings.Count(string(text), e.old), "%q in the bench file", e.old)
	require.NoError(t, os.WriteFile(w.bench, []byte(strings.ReplaceAll(string(text), e.old, e.new)), 0o600))
}

// A program that would speak to instruments which another one holds is refused,
// and told which and why: each would keep the instrument's limit on silence from
// running out for the other.
func TestWiresHeld(t *testing.T) {
	overWires(t)
	w := newWorkshop(t, "")
	w.serve(t)
	code, out := exitAfter(t, "bench", "check", w.bench)
	assert.Equal(t, exitRefused, code)
	assert.Contains(t, out, "another process speaks to the monitor at "+w.wires.Addresses().Monitor[0])
	assert.Contains(t, out, "stop the orchestrator or the check that holds it")
	code, out = exitAfter(t, "serve", "--bench", w.bench, "--store", filepath.Join(w.dir, "other.db"), "--listen", "unix:"+filepath.Join(w.dir, "o"))
	assert.Equal(t, exitUnreachable, code)
	assert.Contains(t, out, "another process speaks to the monitor")
}

// INV-12: nothing would take the current off when the host dies, so nobody may
// leave the bench alone; with a person there it may be used.
func TestWiresUnattended(t *testing.T) {
	overWires(t)
	guards := edit{"\nvirtual:\n", `
protections:
  emergency_stop: {proved: 2026-11-01, by: test engineer}
  fire_detection: {proved: 2026-11-01, by: test engineer}
  cell_cut_off: {voltage: 3.78 V, temperature: 60 degC, proved: 2026-11-01, by: test engineer}
  fuse: {rating: 10 A, proved: 2026-11-01, by: test engineer}
  article_interlock: {proved: 2026-11-01, by: test engineer}

virtual:
`, 1}
	w := newWorkshop(t, "", guards)
	w.change(t, edit{"  silence: 1 s          # the instrument's own communication timeout\n", "", 1})
	w.change(t, edit{"  silence: 1 s\n", "", 1})
	w.change(t, edit{"  heartbeat: 1 s\n", "", 1})
	code, out := exitAfter(t, "bench", "check", w.bench)
	assert.Equal(t, exitNotPassed, code)
	assert.Contains(t, out, "supply: nothing takes its output off when the program that commands it dies")
	w.serve(t)
	w.register(t, "QK-01")
	way := directions[0]
	attended := filepath.Join(w.dir, "attended.yaml")
	alone := filepath.Join(w.dir, "alone.yaml")
	require.NoError(t, os.WriteFile(attended, []byte(way.profile), 0o600))
	require.NoError(t, os.WriteFile(alone, []byte(strings.Replace(way.profile, "attended: yes\n", "", 1)), 0o600))
	start := func(profile string) (int, string) {
		return exitAfter(t, "run", "start", "--bench", practiceBench, "--module", "QK-01", "--profile", profile, "--server", w.address)
	}
	code, out = start(alone)
	assert.Equal(t, exitUsage, code, out)
	assert.Contains(t, out, "when the host dies, the current of the supply and of the load goes on: the box has no heartbeat and the supply and the load no silence limit")
	assert.Contains(t, out, "with neither, only attended runs")
	assert.Empty(t, w.energised(t, 0))
	code, out = start(attended)
	assert.Equal(t, 0, code, out)
	assert.Contains(t, w.said(t), "never: not for unattended runs")
}
