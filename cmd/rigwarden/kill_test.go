//go:build unix

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/profiles"
)

// realTime is this program with the wall clock; see TestMain.
const realTime = "rigwarden-real-time"

// daemon is an orchestrator with a virtual bench in real time, in processes of
// their own, charging a module.
type daemon struct {
	cmd     *exec.Cmd
	dir     string
	address string
	truth   string
	log     string // file with what the daemon prints
	lease   time.Duration
	args    []string // of serve
}

// client runs a client command against the daemon and returns what it printed.
func (d *daemon) client(t *testing.T, args ...string) (string, error) {
	t.Helper()
	out, err := exec.Command(realTime, append(args, "--server", d.address)...).CombinedOutput()
	return string(out), err
}

func (d *daemon) do(t *testing.T, args ...string) {
	t.Helper()
	out, err := d.client(t, args...)
	require.NoError(t, err, out)
}

func (d *daemon) said(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(d.log)
	require.NoError(t, err)
	return string(b)
}

func (d *daemon) serve(t *testing.T) {
	t.Helper()
	d.cmd = exec.Command(realTime, append([]string{"serve", "--store", filepath.Join(d.dir, "rig.db"), "--listen", d.address}, d.args...)...)
	log, err := os.Create(d.log)
	require.NoError(t, err)
	d.cmd.Stdout, d.cmd.Stderr = log, log
	require.NoError(t, d.cmd.Start())
	cmd := d.cmd
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
		log.Close()
		if t.Failed() {
			t.Logf("the daemon said:\n%s", d.said(t))
		}
	})
	require.Eventually(t, func() bool {
		_, err := d.client(t, "bench", "list")
		return err == nil
	}, 20*time.Second, 50*time.Millisecond, "the daemon answers")
}

// register adds a shipped module.
func (d *daemon) register(t *testing.T, serial string) {
	t.Helper()
	text, err := profiles.LibraryModule(serial)
	require.NoError(t, err)
	file := filepath.Join(d.dir, serial+".yaml")
	require.NoError(t, os.WriteFile(file, text, 0o600))
	d.do(t, "module", "add", file, "--who", "technician")
	// What a hand meter reads on the fresh virtual article, and poles without a
	// way to ground.
	total, cell := "78.06 V", "3.253 V"
	if serial == "QK-01" {
		total, cell = "42.63 V", "3.553 V"
	}
	d.do(t, "module", "check", serial, "--total", total, "--cell", cell, "--who", "technician")
	d.do(t, "module", "insulation", serial, "--total", total, "--negative", "0 V", "--positive", "0 V", "--who", "technician")
}

// charging starts a daemon and a run, and returns once charge current flows.
func charging(t *testing.T) *daemon {
	t.Helper()
	return chargingBy(t, func(d *daemon) {
		d.do(t, "run", "start", "--bench", "quay-1", "--module", "KW-01", "--profile", "charge")
	})
}

// chargingBy is charging with another way to begin the run.
func chargingBy(t *testing.T, begin func(*daemon)) *daemon {
	t.Helper()
	d := &daemon{dir: t.TempDir(), lease: time.Second}
	d.address = "unix:" + filepath.Join(d.dir, "s")
	d.truth = filepath.Join(d.dir, "quay-1.truth")
	d.log = filepath.Join(d.dir, "log")
	d.args = []string{"--bench", "quay-1", "--truth", d.dir}
	d.serve(t)
	d.register(t, "KW-01")
	begin(d)
	// The supply's own current tells a charge from the precharge before it.
	require.Eventually(t, func() bool {
		s, flowing := d.last(t)
		return flowing && !strings.Contains(s, "supply=0 ")
	}, 20*time.Second, 20*time.Millisecond, "the supply charges")
	return d
}

var truthLine = regexp.MustCompile(`^(\d+) (flowing|zero) current=`)

// last is the latest line of the plant's own log of the true current.
func (d *daemon) last(t *testing.T) (line string, flowing bool) {
	t.Helper()
	b, err := os.ReadFile(d.truth)
	require.NoError(t, err)
	lines := strings.Split(strings.TrimRight(string(b), "\n"), "\n")
	line = lines[len(lines)-1]
	m := truthLine.FindStringSubmatch(line)
	return line, m != nil && m[2] == "flowing"
}

// zeroWithin demands that the true current ended within d of the instant.
func (d *daemon) zeroWithin(t *testing.T, at time.Time, most time.Duration) {
	t.Helper()
	require.Eventually(t, func() bool { _, flowing := d.last(t); return !flowing }, 15*time.Second, 20*time.Millisecond, "the true current ends")
	line, _ := d.last(t)
	us, err := strconv.ParseInt(truthLine.FindStringSubmatch(line)[1], 10, 64)
	require.NoError(t, err)
	took := time.UnixMicro(us).Sub(at)
	t.Logf("zero current after %v", took)
	assert.Less(t, took, most)
}

// watchAndInterrupt watches the run for a moment, as a person does who then
// presses Ctrl-C.
func (d *daemon) watchAndInterrupt(t *testing.T) {
	t.Helper()
	watch := exec.Command(realTime, "run", "watch", "r000001", "--server", d.address)
	out, err := watch.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, watch.Start())
	_, err = out.Read(make([]byte, 64)) // it watches
	require.NoError(t, err)
	require.NoError(t, watch.Process.Signal(os.Interrupt))
	var ended *exec.ExitError
	require.ErrorAs(t, watch.Wait(), &ended)
	assert.Equal(t, exitUnwatched, ended.ExitCode(), "it must not look like a run that passed")
	_, flowing := d.last(t)
	assert.True(t, flowing, "the run goes on")
}

// Ctrl-C of a client ends the watching and never the run. INV-06: a killed
// daemon leaves zero current within the lease, nothing
// energises by itself afterwards, and the bench is latched until a person
// acknowledges (INV-05). The plant judges.
func TestAKilledDaemonLeavesNoCurrent(t *testing.T) {
	t.Parallel()
	d := charging(t)
	d.watchAndInterrupt(t)
	at := time.Now()
	require.NoError(t, d.cmd.Process.Kill())
	d.cmd.Wait()
	d.zeroWithin(t, at, d.lease)

	before, _ := d.last(t)
	d.serve(t)
	assert.Contains(t, d.said(t), "had no clean end and is marked interrupted")
	out, err := d.client(t, "run", "start", "--bench", "quay-1", "--module", "KW-01")
	require.Error(t, err)
	assert.Contains(t, out, "latched")
	out, err = d.client(t, "run", "list")
	require.NoError(t, err)
	assert.Contains(t, out, "interrupted")
	after, flowing := d.last(t)
	assert.Equal(t, before, after, "nothing flowed since")
	assert.False(t, flowing)
	d.do(t, "run", "acknowledge", "r000001", "--who", "test engineer", "--reason", "daemon was killed in a test")
	require.NoError(t, d.cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, d.cmd.Wait(), d.said(t))
}

// INV-06: what a queue was about to do next does not begin by itself either after
// its daemon was killed, not even when the latch is cleared.
func TestAKilledDaemonHoldsItsQueue(t *testing.T) {
	t.Parallel()
	d := chargingBy(t, func(d *daemon) {
		d.do(t, "queue", "add", "quay-1", "--module", "KW-01", "--profile", "charge")
		d.do(t, "queue", "add", "quay-1", "--module", "KW-01", "--profile", "pulses")
		d.do(t, "queue", "go", "quay-1", "--connected", "KW-01", "--who", "test engineer")
	})
	at := time.Now()
	require.NoError(t, d.cmd.Process.Kill())
	d.cmd.Wait()
	d.zeroWithin(t, at, d.lease)
	before, _ := d.last(t)
	d.serve(t)
	list := func() string {
		out, err := d.client(t, "queue", "list", "quay-1")
		require.NoError(t, err, out)
		return out
	}
	assert.Contains(t, list(), "HELD: run r000001 (charge.yaml for KW-01) was under way")
	assert.NotContains(t, list(), "q0001", "what was interrupted is not begun anew")
	assert.Regexp(t, `(?m)^q0002 +KW-01 +pulses +waiting +-$`, list())
	out, err := d.client(t, "queue", "go", "quay-1", "--connected", "KW-01", "--who", "test engineer")
	require.Error(t, err)
	assert.Contains(t, out, "latched")
	d.do(t, "run", "acknowledge", "r000001", "--who", "test engineer", "--reason", "daemon was killed in a test")
	assert.Contains(t, list(), "HELD: ")
	after, flowing := d.last(t)
	assert.Equal(t, before, after, "nothing flowed since")
	assert.False(t, flowing)
	d.do(t, "queue", "go", "quay-1", "--connected", "KW-01", "--who", "test engineer")
	assert.Regexp(t, `(?m)^q0002 +KW-01 +pulses +running +r000002$`, list())
	d.do(t, "run", "stop", "r000002")
	require.NoError(t, d.cmd.Process.Signal(syscall.SIGTERM))
	require.NoError(t, d.cmd.Wait(), d.said(t))
}

// INV-06 again: a daemon that is only frozen lets its lease run out, too.
func TestAFrozenDaemonLeavesNoCurrent(t *testing.T) {
	t.Parallel()
	d := charging(t)
	at := time.Now()
	require.NoError(t, d.cmd.Process.Signal(syscall.SIGSTOP))
	// The lease, and what the printed paths add for the supply to come down.
	d.zeroWithin(t, at, d.lease+300*time.Millisecond)
	require.NoError(t, d.cmd.Process.Signal(syscall.SIGCONT))
	require.Eventually(t, func() bool {
		out, err := d.client(t, "bench", "list")
		return err == nil && strings.Contains(out, "latched")
	}, 15*time.Second, 50*time.Millisecond, "the daemon notices that it lost time")
}
