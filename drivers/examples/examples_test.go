//go:build unix

package examples

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/plugin"
)

// built is the folder in which TestMain put gosupply.
var built string

// envHost makes the test binary play a bench's host that holds a plugin and
// energises it: its argument is the plugin's address.
const envHost = "RIGWARDEN_EXAMPLES_TEST_HOST"

func TestMain(m *testing.M) {
	if address := os.Getenv(envHost); address != "" {
		fmt.Fprintln(os.Stderr, playHost(address))
		os.Exit(1)
	}
	os.Exit(run(m))
}

func run(m *testing.M) int {
	// They wait more than they work.
	flag.Parse()
	err := flag.Set("test.parallel", "4")
	if err != nil {
		panic(err)
	}
	if built, err = os.MkdirTemp("", "rigwarden-"); err != nil {
		panic(err)
	}
	defer os.RemoveAll(built)
	if out, err := exec.Command("go", "build", "-o", built, "./gosupply").CombinedOutput(); err != nil {
		panic(fmt.Sprintf("gosupply: %v\n%s", err, out))
	}
	code := m.Run()
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return code
}

// example is one of the plugins here.
type example struct {
	name    string
	command func(record string) []string
	need    func(t *testing.T)
}

var examples = []example{
	{"go", func(record string) []string { return []string{filepath.Join(built, "gosupply"), "-record", record} }, func(*testing.T) {}},
	{"python", func(record string) []string { return []string{python, "python_supply.py", record} }, needPython},
}

// python is the system's own: Debian's modules are for it.
const python = "/usr/bin/python3"

func needPython(t *testing.T) {
	out, err := exec.Command(python, "-c", "import grpc, google.protobuf").CombinedOutput()
	if err == nil {
		return
	}
	if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "grpcio") {
		t.Fatalf("grpcio is demanded by RIGWARDEN_REQUIRE and not installed (Debian packages python3-grpcio, python3-protobuf): %v: %s", err, out)
	}
	t.Skip("needs Debian packages python3-grpcio and python3-protobuf: ", err)
}

func (e *example) address(record string) string {
	words := e.command(record)
	for i, w := range words {
		words[i] = strconv.Quote(w)
	}
	return "exec:" + strings.Join(words, " ")
}

// forEach runs a test for both plugins at the same time.
func forEach(t *testing.T, do func(t *testing.T, e *example, record string)) {
	for _, e := range examples {
		t.Run(e.name, func(t *testing.T) {
			t.Parallel()
			e.need(t)
			do(t, &e, filepath.Join(t.TempDir(), "record"))
		})
	}
}

// Both examples hold to the drivers' contract.
func TestConformance(t *testing.T) {
	t.Parallel()
	forEach(t, func(t *testing.T, e *example, record string) {
		c, err := plugin.NewChecker(t.Context(), plugin.CheckOptions{Address: e.address(record), Energise: true})
		require.NoError(t, err)
		var held atomic.Int32
		t.Cleanup(func() {
			// Six that every device must meet, save that it was not hung, and the
			// ten of a supply.
			if !t.Failed() {
				require.EqualValues(t, 15, held.Load())
			}
		})
		for _, check := range drivertest.Checks() {
			if role, _, of := strings.Cut(check.Name, "/"); of && role != "supply" {
				continue
			}
			t.Run(check.Name, func(t *testing.T) {
				t.Parallel()
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				f, end, err := c.Open(ctx)
				require.NoError(t, err)
				defer end()
				err = check.Do(f)
				if errors.Is(err, drivertest.ErrSkip) {
					t.Skip(err)
				}
				require.NoError(t, err, check.Doc)
				held.Add(1)
			})
		}
	})
}

// wholeBench is a bench whose supply is the plugin's.
func wholeBench() drivers.Bench {
	return drivers.Bench{
		Name:    "quay-1",
		Monitor: drivers.MonitorSpec{Cells: 1, Period: 100 * drivers.Millisecond, CellStep: 1, CurrentStep: 1, TempStep: 1},
		Supply:  drivers.PowerSpec{VoltageMax: 60 * drivers.Volt, CurrentMax: 20 * drivers.Ampere, VoltageStep: 1000, CurrentStep: 1000},
		Load:    drivers.PowerSpec{VoltageStep: 1000, CurrentStep: 1000},
		Box:     drivers.BoxSpec{LinkStep: 1}, Meter: drivers.MeterSpec{VoltageStep: 1},
		Lease: lease,
	}
}

// lease is the examples'. slack is for a busy machine: starting, scheduling and
// the pipe.
const (
	lease   = drivers.Second
	leaseIn = time.Duration(lease) * time.Microsecond
	slack   = 400 * time.Millisecond
	patient = 20 * time.Second
)

func options(address string) plugin.Options {
	return plugin.Options{Address: address, Bench: wholeBench(), Roles: []host.Role{host.RoleSupply}}
}

// charge arms a supply and lets 5 A flow.
func charge(ctx context.Context, s drivers.Power) error {
	if _, err := s.Arm(ctx, drivers.Protection{VoltageMax: 58 * drivers.Volt, CurrentMax: 10 * drivers.Ampere}); err != nil {
		return err
	}
	return s.Set(ctx, drivers.Setpoint{On: true, Current: 5 * drivers.Ampere, Voltage: 55 * drivers.Volt})
}

// playHost is a host in small: it energises the plugin's supply and reads it for
// ever. It says when it is done, and what became of calls.
func playHost(address string) error {
	p, err := plugin.Open(context.Background(), options(address))
	if err != nil {
		return err
	}
	s := p.Set().Supply
	if err := charge(context.Background(), s); err != nil {
		return err
	}
	fmt.Println("energised")
	for range time.Tick(20 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
		// Contact is what matters here, not the answer.
		_, _ = s.Read(ctx)
		cancel()
	}
	return nil
}

// hostProcess starts playHost and returns once current flows.
func hostProcess(t *testing.T, address, record string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), envHost+"="+address)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	var said strings.Builder
	cmd.Stderr = &said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		// It may be frozen or gone.
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err, &said)
	require.Equal(t, "energised\n", line)
	require.Equal(t, 5000, awaitCurrent(t, record, func(c change) bool { return c.milliamps > 0 }).milliamps)
	return cmd
}

// change is a line of the instrument's record.
type change struct {
	at        time.Time
	milliamps int
}

func readRecord(t *testing.T, record string) (list []change) {
	b, err := os.ReadFile(record)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		var us int64
		var c change
		if n, err := fmt.Sscanf(line, "%d %d\n", &us, &c.milliamps); n != 2 || err != nil {
			continue // still being written
		}
		c.at = time.UnixMicro(us)
		list = append(list, c)
	}
	return list
}

// await waits for a condition.
func await(t *testing.T, what string, holds func() bool) {
	t.Helper()
	end := time.After(patient)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-end:
			require.FailNow(t, "did not come about: "+what)
		}
	}
}

// awaitCurrent waits for a change in the instrument's record.
func awaitCurrent(t *testing.T, record string, want func(change) bool) (found change) {
	t.Helper()
	await(t, "the change in the instrument's record", func() bool {
		list := readRecord(t, record)
		i := slices.IndexFunc(list, want)
		if i >= 0 {
			found = list[i]
		}
		return i >= 0
	})
	return found
}

// A host that is killed or frozen while current flows: the instrument is off
// within the lease, by its own record (INV-02, INV-06).
func TestHostDies(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		signal syscall.Signal
		within time.Duration
	}{
		"killed": {syscall.SIGKILL, 0}, // its pipe ends at once
		"frozen": {syscall.SIGSTOP, leaseIn},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			forEach(t, func(t *testing.T, e *example, record string) {
				cmd := hostProcess(t, e.address(record), record)
				at := time.Now()
				require.NoError(t, cmd.Process.Signal(tc.signal))
				off := awaitCurrent(t, record, func(c change) bool { return c.milliamps == 0 && !c.at.Before(at) })
				t.Logf("off %v after the host was %s", off.at.Sub(at).Round(time.Millisecond), name)
				require.LessOrEqual(t, off.at.Sub(at), tc.within+slack)
				require.Len(t, readRecord(t, record), 2, "on once and off once")
			})
		})
	}
}

// pidOf finds the plugin's process by its record, which only it names.
func pidOf(t *testing.T, record string) int {
	t.Helper()
	found := 0
	dirs, err := filepath.Glob("/proc/[0-9]*/cmdline")
	require.NoError(t, err)
	for _, d := range dirs {
		b, err := os.ReadFile(d)
		if err == nil && slices.Contains(strings.Split(string(b), "\x00"), record) {
			require.Zero(t, found, "two processes have this record")
			found, err = strconv.Atoi(strings.Split(d, "/")[2])
			require.NoError(t, err)
		}
	}
	require.NotZero(t, found, "the plugin's process")
	return found
}

// charging opens a plugin in this process and lets current flow.
func charging(t *testing.T, e *example, record string, alive *atomic.Bool) *plugin.Plugin {
	t.Helper()
	o := options(e.address(record))
	o.Alive = alive.Load
	alive.Store(true)
	p, err := plugin.Open(t.Context(), o)
	require.NoError(t, err)
	t.Cleanup(p.Close)
	require.NoError(t, charge(t.Context(), p.Set().Supply))
	awaitCurrent(t, record, func(c change) bool { return c.milliamps == 5000 })
	return p
}

func read(p *plugin.Plugin) (drivers.Reading, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	return p.Set().Supply.Read(ctx)
}

// The host's own lease is lost: the plugin's is no longer renewed. A new arming,
// and nothing less, energises again.
func TestHostsLeaseLost(t *testing.T) {
	t.Parallel()
	forEach(t, func(t *testing.T, e *example, record string) {
		var alive atomic.Bool
		p := charging(t, e, record, &alive)
		await(t, "a reading of what flows", func() bool { r, err := read(p); return err == nil && r.Current == 5000 })
		at := time.Now()
		alive.Store(false)
		await(t, "the lease shown as lost", func() bool { r, err := read(p); return err == nil && r.State&drivers.PowerLeaseOut != 0 })
		off := awaitCurrent(t, record, func(c change) bool { return c.milliamps == 0 })
		require.LessOrEqual(t, off.at.Sub(at), leaseIn+slack)
		alive.Store(true)
		require.ErrorIs(t, p.Set().Supply.Set(t.Context(), drivers.Setpoint{On: true, Current: 1000, Voltage: drivers.Volt}), drivers.ErrLease)
		require.NoError(t, charge(t.Context(), p.Set().Supply))
		require.Len(t, readRecord(t, record), 3)
	})
}

// A plugin that dies or hangs: calls fail at once or by their deadline, it is
// opened again into safety, and nothing energises before it was armed again
// (INV-06, INV-08).
func TestPluginDies(t *testing.T) {
	t.Parallel()
	for name, signal := range map[string]syscall.Signal{"killed": syscall.SIGKILL, "frozen": syscall.SIGSTOP} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			forEach(t, func(t *testing.T, e *example, record string) {
				var alive atomic.Bool
				p := charging(t, e, record, &alive)
				first := pidOf(t, record)
				require.NoError(t, syscall.Kill(first, signal))
				await(t, "a call that fails", func() bool {
					_, err := read(p)
					return errors.Is(err, drivers.ErrNoAnswer)
				})
				select {
				case <-p.Lost():
				case <-time.After(patient):
					require.FailNow(t, "it was never noticed")
				}
				at := time.Now()
				_, err := read(p)
				require.ErrorIs(t, err, drivers.ErrNoAnswer)
				require.Less(t, time.Since(at), 100*time.Millisecond, "a call to a plugin that is gone waits")

				var r drivers.Reading
				await(t, "the plugin's return", func() bool { r, err = read(p); return err == nil })
				require.NotEqual(t, first, pidOf(t, record))
				require.Zero(t, r.Current)
				require.Zero(t, r.State&drivers.PowerOn)
				set := drivers.Setpoint{On: true, Current: 1000, Voltage: drivers.Volt}
				require.ErrorIs(t, p.Set().Supply.Set(t.Context(), set), drivers.ErrRefused)
				on := slices.DeleteFunc(readRecord(t, record), func(c change) bool { return c.milliamps == 0 })
				require.Len(t, on, 1, "it was switched on again by itself")

				// Its lease is the new one's: the host has to be armed anew for it.
				alive.Store(false)
				await(t, "contact under no lease", func() bool { _, err := read(p); return err == nil })
				alive.Store(true)
				require.NoError(t, charge(t.Context(), p.Set().Supply))
				await(t, "current", func() bool { r, err := read(p); return err == nil && r.Current == 5000 })
			})
		})
	}
}

// The plugin alone can leave its instrument in peace: asked to, it proves the
// instrument's own timeout, and without one says so.
func TestProveSilence(t *testing.T) {
	t.Parallel()
	limits := drivers.Protection{VoltageMax: 58 * drivers.Volt, CurrentMax: 10 * drivers.Ampere, CommTimeout: 700 * drivers.Millisecond}
	prove := func(t *testing.T, address string) (drivers.Span, error) {
		p, err := plugin.Open(t.Context(), options(address))
		require.NoError(t, err)
		t.Cleanup(p.Close)
		took, err := p.Set().Supply.(host.Prover).ProveSilence(t.Context(), limits)
		require.ErrorIs(t, p.Set().Supply.Set(t.Context(), drivers.Setpoint{On: true}), drivers.ErrRefused, "armed after a proof")
		return took, err
	}
	t.Run("it has one", func(t *testing.T) {
		t.Parallel()
		record := filepath.Join(t.TempDir(), "record")
		took, err := prove(t, examples[0].address(record)+" -silence 700ms")
		require.NoError(t, err)
		require.GreaterOrEqual(t, took, limits.CommTimeout)
		require.Less(t, took, 2*limits.CommTimeout)
		for _, c := range readRecord(t, record) {
			require.Zero(t, c.milliamps)
		}
	})
	t.Run("it has none", func(t *testing.T) {
		t.Parallel()
		_, err := prove(t, examples[0].address(filepath.Join(t.TempDir(), "record")))
		require.ErrorIs(t, err, drivers.ErrRefused)
		require.ErrorContains(t, err, "no communication timeout to prove")
	})
	t.Run("it cannot prove", func(t *testing.T) {
		t.Parallel()
		needPython(t)
		_, err := prove(t, examples[1].address(filepath.Join(t.TempDir(), "record")))
		require.ErrorIs(t, err, host.ErrAbsent)
	})
}

// The example that runs at an address: its lease comes on a stream.
func TestAddress(t *testing.T) {
	t.Parallel()
	record, socket := filepath.Join(t.TempDir(), "record"), filepath.Join(built, "address.sock")
	start := func() *exec.Cmd {
		cmd := exec.Command(filepath.Join(built, "gosupply"), "-record", record, "-listen", "unix:"+socket)
		cmd.Stderr = os.Stderr
		require.NoError(t, cmd.Start())
		t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }) // it may have ended
		await(t, "its socket", func() bool { _, err := os.Stat(socket); return err == nil })
		return cmd
	}
	server := start()
	cmd := hostProcess(t, "unix:"+socket, record)

	_, err := plugin.Open(t.Context(), options("unix:"+socket))
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "another lease stream is open")

	at := time.Now()
	require.NoError(t, cmd.Process.Kill())
	off := awaitCurrent(t, record, func(c change) bool { return c.milliamps == 0 })
	t.Logf("off %v after the host was killed", off.at.Sub(at).Round(time.Millisecond))
	require.LessOrEqual(t, off.at.Sub(at), slack)

	// The next one may have it, and is not troubled by the old one's epochs.
	var p *plugin.Plugin
	await(t, "the lease free again", func() bool { p, err = plugin.Open(t.Context(), options("unix:"+socket)); return err == nil })
	t.Cleanup(p.Close)
	s := p.Set().Supply
	require.ErrorIs(t, s.Set(t.Context(), drivers.Setpoint{On: true, Current: 1000, Voltage: drivers.Volt}), drivers.ErrRefused)
	require.NoError(t, charge(t.Context(), s))
	require.NoError(t, s.Halt(t.Context()))
	require.Len(t, readRecord(t, record), 4)

	// It restarts, and is found again.
	require.NoError(t, server.Process.Kill())
	_ = server.Wait() // it was killed
	<-p.Lost()
	require.NoError(t, os.Remove(socket))
	start()
	await(t, "its return", func() bool { _, err := read(p); return err == nil })
}
