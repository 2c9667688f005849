//go:build linux

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/plugin"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/drivers/virtual/wire"
	"github.com/rigwarden/rigwarden/profiles"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

var wiresWanted = flag.Bool("wires", false, "run the tests that take minutes of real time, over real wires and processes")

// overWires skips a test that nobody asked for by the flag.
func overWires(t *testing.T) {
	t.Helper()
	if !*wiresWanted {
		t.Skip("takes minutes of real time: run with -wires")
	}
	t.Parallel()
}

// patience bounds every wait for what another process does on a busy machine.
const patience = 40 * time.Second

// How often a condition is looked at: by a glance, or by a process of its own.
const (
	often  = 10 * time.Millisecond
	seldom = 300 * time.Millisecond
)

// awaitThat waits until a condition holds.
func awaitThat(t *testing.T, every time.Duration, what string, holds func() bool) {
	t.Helper()
	end := time.NewTimer(patience)
	defer end.Stop()
	tick := time.NewTicker(every)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-end.C:
			require.FailNow(t, "never came about: "+what)
		}
	}
}

// tape is a record that is read while it is written.
type tape struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (p *tape) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.b.Write(b)
}

// lines are those of the record so far.
func (p *tape) lines(t *testing.T) (list []wire.Line) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	for s := range strings.Lines(p.b.String()) {
		l, err := wire.ParseLine(s)
		require.NoError(t, err)
		list = append(list, l)
	}
	return list
}

// edit is a change of a shipped bench file.
type edit struct {
	old, new string
	times    int // that old stands there
}

// practiceText is the shipped bench on wires, changed. A change that changes
// something else than it was made for fails.
func practiceText(t *testing.T, edits ...edit) string {
	t.Helper()
	b, err := profiles.LibraryBench(practiceBench)
	require.NoError(t, err)
	text := string(b)
	for _, e := range edits {
		require.Equal(t, e.times, strings.Count(text, e.old), "%q in the shipped bench", e.old)
		text = strings.ReplaceAll(text, e.old, e.new)
	}
	return text
}

// movedTo are the edits that put the instruments where they answer.
func movedTo(a wire.Addresses) []edit {
	return []edit{
		{"tcp:127.0.0.1:29536", a.Monitor[0], 1}, {"tcp:127.0.0.1:5025", a.Supply, 1}, {"tcp:127.0.0.1:5026", a.Load, 1},
		{"tcp:127.0.0.1:5020", a.Box, 1}, {"tcp:127.0.0.1:5027", a.Meter, 1},
	}
}

// workshop has virtual instruments on wires, held by the test itself, which
// spoils the wires and reads the instruments' own record; and a daemon that
// serves them in processes of its own and takes them for real.
type workshop struct {
	daemon
	now    func() drivers.Instant // the instruments' clock
	rt     *virtual.Realtime
	wires  *wire.Server
	record tape
	bench  string          // file
	struck drivers.Instant // when the fault came
	ended  chan struct{}   // the daemon's process is over
}

// newWorkshop puts the instruments of the shipped bench on wires and writes a
// bench file for them. behind names the supply or load that a plugin holds.
func newWorkshop(t *testing.T, behind virtual.Device, edits ...edit) *workshop {
	t.Helper()
	w := &workshop{daemon: daemon{dir: t.TempDir()}}
	w.address = "unix:" + filepath.Join(w.dir, "s")
	w.log = filepath.Join(w.dir, "log")
	w.bench = filepath.Join(w.dir, "bench.yaml")
	w.args = []string{"--bench", w.bench}

	b, ps := profiles.ParseBench("bench.yaml", []byte(practiceText(t, edits...)))
	require.NoError(t, profiles.Error(ps))
	w.now = host.Clock(time.Now())
	v, err := virtual.New(virtualRig(b, nil, w.now()))
	require.NoError(t, err)
	w.rt = virtual.NewRealtime(v, w.now)
	w.wires, err = wire.Start(wire.Config{Realtime: w.rt, Record: &w.record})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, w.wires.Close()) })

	text := practiceText(t, append(movedTo(w.wires.Addresses()), edits...)...)
	require.NoError(t, os.WriteFile(w.bench, []byte(text), 0o600))
	if behind == "" {
		return w
	}
	// The plugin reads the file as it was.
	direct := filepath.Join(w.dir, "direct.yaml")
	require.NoError(t, os.WriteFile(direct, []byte(text), 0o600))
	address := map[virtual.Device]string{virtual.DeviceSupply: w.wires.Addresses().Supply, virtual.DeviceLoad: w.wires.Addresses().Load}[behind]
	old := fmt.Sprintf("  driver: scpi\n  address: %s\n  dialect: common-%s\n", address, behind)
	require.Equal(t, 1, strings.Count(text, old))
	// Quoted for YAML, which a colon with a blank would trouble.
	command := strconv.Quote(plugin.CommandAddress(pluginProgram, direct, string(behind)))
	text = strings.ReplaceAll(text, old, "  driver: plugin\n  address: "+command+"\n")
	require.NoError(t, os.WriteFile(w.bench, []byte(text), 0o600))
	return w
}

// serve starts the daemon and returns once it serves. On a machine that is too
// busy for the instruments to answer in time it ends, which is safe, and is
// started again.
func (w *workshop) serve(t *testing.T) {
	t.Helper()
	for try := 1; ; try++ {
		w.cmd = exec.Command(realTime, append([]string{"serve", "--store", filepath.Join(w.dir, "rig.db"), "--listen", w.address}, w.args...)...)
		log, err := os.Create(w.log)
		require.NoError(t, err)
		w.cmd.Stdout, w.cmd.Stderr = log, log
		require.NoError(t, w.cmd.Start())
		cmd, ended := w.cmd, make(chan struct{})
		w.ended = ended
		go func() {
			_ = cmd.Wait() // how it ended is in its log
			log.Close()
			close(ended)
		}()
		t.Cleanup(func() {
			_ = cmd.Process.Kill() // it may be gone
			<-ended
			if t.Failed() {
				t.Logf("the daemon said:\n%s", w.said(t))
			}
		})
		serves, over := false, false
		awaitThat(t, often, "the daemon serves", func() bool {
			select {
			case <-ended:
				over = true
			default:
			}
			serves = strings.Contains(w.said(t), "\nserving at ")
			return serves || over
		})
		if serves {
			return
		}
		require.Less(t, try, 4, "the daemon does not start: %s", w.said(t))
		t.Logf("try %d did not start: %s", try, w.said(t))
	}
}

// pluginProgram is a driver plugin: it holds one SCPI supply or load of a bench.
const pluginProgram = "wires-plugin"

func init() {
	programs[pluginProgram] = func() {
		err := playPlugin(os.Args[1], os.Args[2])
		fmt.Fprintln(os.Stderr, pluginProgram+":", err)
		os.Exit(1)
	}
}

// playPlugin holds the supply or load of a bench file.
func playPlugin(file, role string) error {
	return host.Main(context.Background(), func(context.Context) (c host.Config, err error) {
		f, err := readBench(file)
		if err != nil {
			return c, err
		}
		text, _ := scpi.Shipped("common-" + role)
		d, ps := scpi.ParseDialect(role, text)
		if err := tree.Error(ps); err != nil {
			return c, err
		}
		c = host.Config{Bench: f.Bench.Bench, Part: true}
		spec := map[string]drivers.PowerSpec{"supply": c.Bench.Supply, "load": c.Bench.Load}[role]
		p, err := scpi.NewPower(scpi.Options{Role: role, Address: spec.Address, Dialect: d, Expect: spec.Expect}, spec)
		if err != nil {
			return c, err
		}
		if c.Set.Supply = p; role == "load" {
			c.Set = drivers.Set{Load: p}
		}
		return c, nil
	})
}

// json runs a client command with --json and reads its answer.
func (d *daemon) json(t *testing.T, into any, args ...string) {
	t.Helper()
	out, err := d.client(t, append(args, "--json")...)
	require.NoError(t, err, out)
	require.NoError(t, json.Unmarshal([]byte(out), into), out)
}

// printed are the worst times, by fault, that the daemon prints for its bench.
func (w *workshop) printed(t *testing.T) map[string]drivers.Span {
	t.Helper()
	var got struct {
		Safety struct {
			Paths []struct {
				Fault string        `json:"fault"`
				Worst *drivers.Span `json:"worst_us"`
			} `json:"paths"`
		} `json:"safety"`
	}
	w.json(t, &got, "bench", "show", practiceBench)
	worst := map[string]drivers.Span{}
	for _, p := range got.Safety.Paths {
		if p.Worst != nil {
			worst[p.Fault] = *p.Worst
		}
	}
	require.NotEmpty(t, worst)
	return worst
}

// runTold is what the daemon tells of a run.
type runTold struct {
	ID      string `json:"id"`
	Outcome string `json:"outcome"`
	Verdict string `json:"verdict"`
	Reason  string `json:"reason"`
	Frames  int    `json:"frames"`
}

// theRun is the latest run, as the daemon at an address or a store tells it.
func theRun(t *testing.T, where ...string) runTold {
	t.Helper()
	out, err := exec.Command(realTime, append([]string{"run", "list", "--json"}, where...)...).CombinedOutput()
	require.NoError(t, err, string(out))
	var got struct {
		Runs []runTold `json:"runs"`
	}
	require.NoError(t, json.Unmarshal(out, &got), string(out))
	require.NotEmpty(t, got.Runs)
	return got.Runs[0]
}

// current is an instrument's true current.
func (w *workshop) current(d virtual.Device) (ua drivers.Microamps) {
	w.rt.Do(func(b *virtual.Bench) { ua = b.Panel(d).Current() })
	return ua
}

// child finds the process that another one started with a word in its command.
func child(t *testing.T, parent int, word string) *os.Process {
	t.Helper()
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	require.NoError(t, err)
	var found []int
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			continue // it has ended
		}
		// pid (name) state ppid ...: the name may hold anything.
		rest := strings.Fields(string(b[bytes.LastIndexByte(b, ')')+1:]))
		command, err := os.ReadFile(filepath.Join(filepath.Dir(f), "cmdline"))
		if err == nil && rest[1] == strconv.Itoa(parent) && bytes.Contains(command, []byte(word+"\x00")) {
			pid, err := strconv.Atoi(filepath.Base(filepath.Dir(f)))
			require.NoError(t, err)
			found = append(found, pid)
		}
	}
	require.Len(t, found, 1, "children of %d with %s", parent, word)
	p, err := os.FindProcess(found[0])
	require.NoError(t, err)
	return p
}
