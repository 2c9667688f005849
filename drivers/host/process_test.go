//go:build unix

package host

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/rigwarden/rigwarden/drivers"
)

// The test binary plays every process there is: the daemon, the host, and the
// children that go wrong.
const (
	envPart   = "RIGWARDEN_HOST_TEST_PART"
	envRecord = "RIGWARDEN_HOST_TEST_RECORD"
)

func TestMain(m *testing.M) {
	switch part := os.Getenv(envPart); part {
	case "":
		goleak.VerifyTestMain(m)
	case "host":
		play(Main(context.Background(), recordedBench))
	case "daemon":
		play(daemon())
	case "mute":
		select {}
	case "babble":
		fmt.Println("Usage: supply [flags]")
		os.Exit(2)
	case "other version":
		fmt.Printf("%s %d %s unix:/x\n", handshakeWord, Version+1, wordReady)
	case "dies":
		fmt.Fprintln(os.Stderr, "can0: no such device")
		os.Exit(3)
	case "refuses":
		play(Main(context.Background(), func(context.Context) (Config, error) {
			return Config{}, errors.New("supply at 10.0.0.5:5025: connection refused")
		}))
	default:
		play(fmt.Errorf("no part is called %q", part))
	}
}

func play(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// part is the command that plays a part; record is where its devices write
// down their outputs.
func part(name, record string) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), envPart+"="+name, envRecord+"="+record)
	return cmd
}

// recordedOutput is a supply or load whose output changes go to a file at once:
// what the device did, not what its driver says. Its output stays as it is,
// whatever becomes of the process that set it.
type recordedOutput struct {
	name string
	file *os.File
	mu   sync.Mutex
	on   bool
	beat int32
}

func (o *recordedOutput) switchTo(on bool) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.on == on {
		return nil
	}
	o.on = on
	_, err := fmt.Fprintf(o.file, "%d %s %v\n", time.Now().UnixMicro(), o.name, on)
	return err
}

func (o *recordedOutput) Halt(context.Context) error { return o.switchTo(false) }
func (o *recordedOutput) Identify(context.Context) (drivers.Identity, error) {
	return drivers.Identity{Model: "recorded", Serial: o.name}, nil
}
func (o *recordedOutput) Arm(_ context.Context, p drivers.Protection) (drivers.Protection, error) {
	return p, nil
}
func (o *recordedOutput) Set(_ context.Context, s drivers.Setpoint) error { return o.switchTo(s.On) }
func (o *recordedOutput) Read(context.Context) (drivers.Reading, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.beat++
	return drivers.Reading{Beat: o.beat}, nil
}

// recordedBox is a contactor box of the same kind: on means that any is closed.
type recordedBox struct{ recordedOutput }

func (b *recordedBox) Switch(_ context.Context, c drivers.Contactors) error {
	return b.switchTo(c != 0)
}

func (b *recordedBox) Read(ctx context.Context) (drivers.BoxReading, error) {
	r, err := b.recordedOutput.Read(ctx)
	return drivers.BoxReading{Beat: r.Beat}, err
}

// quietMonitor reads the same healthy cells for ever.
type quietMonitor struct{ recordedOutput }

func (m *quietMonitor) Bleed(context.Context, []int32) error { return nil }
func (m *quietMonitor) Read(ctx context.Context, r *drivers.MonitorReading) error {
	o, err := m.recordedOutput.Read(ctx)
	r.Cells, r.Temps, r.Bleeding, r.Beat = []int32{22_000, 22_000, 22_000}, []int32{2982, 2982}, []int32{0}, o.Beat
	return err
}

// processBench is quick enough for tests and slow enough for a busy machine.
func processBench() drivers.Bench {
	b := testBench()
	b.Monitor.Period = 40 * ms
	b.Lease = 600 * ms
	return b
}

func recordedBench(context.Context) (Config, error) {
	file, err := os.OpenFile(os.Getenv(envRecord), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return Config{}, err
	}
	output := func(name string) recordedOutput { return recordedOutput{name: name, file: file} }
	supply, load := output("supply"), output("load")
	return Config{Bench: processBench(), Set: drivers.Set{Supply: &supply, Load: &load,
		Box: &recordedBox{output("box")}, Monitor: &quietMonitor{output("monitor")}}}, nil
}

// daemon is what the orchestrator does, in small: it energises, renews the
// lease from every frame, and says what it notices.
func daemon() error {
	ctx := context.Background()
	c, err := Start(ctx, Command(part("host", os.Getenv(envRecord))), Options{Bench: processBench()})
	if err != nil {
		return err
	}
	if _, _, err := c.Arm(ctx, 1, protection(), protection(), testLimits()); err != nil {
		return err
	}
	charging := os.Getenv("RIGWARDEN_HOST_TEST_DIRECTION") == "charge"
	if err := errors.Join(c.Switch(ctx, 1, drivers.BoxNegative|drivers.BoxPositive), c.Set(ctx, 1, charging, amps(20))); err != nil {
		return err
	}
	fmt.Printf("energised %d\n", c.Describe().Scheduling)
	for {
		select {
		case f := <-c.Frames():
			if err := c.Renew(1, f.Echo, processBench().Lease); err != nil {
				fmt.Println(err)
			}
		case e := <-c.Events():
			fmt.Println(e.Kind)
			if e.Kind == EventLeaseOut {
				fmt.Println("set again:", errors.Is(c.Set(ctx, 1, charging, amps(20)), drivers.ErrLease))
			}
		case err := <-c.Lost():
			return err
		}
	}
}

// change is a line of the record.
type change struct {
	at   time.Time
	name string
	on   bool
}

func readRecord(t *testing.T, file string) (list []change) {
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		f := strings.Fields(line)
		if len(f) != 3 {
			continue // being written
		}
		us, err := strconv.ParseInt(f[0], 10, 64)
		require.NoError(t, err)
		list = append(list, change{time.UnixMicro(us), f[1], f[2] == "true"})
	}
	return list
}

// awaitOff waits until the record says that a device went off, and returns when.
func awaitOff(t *testing.T, file, name string) time.Time {
	t.Helper()
	poll := time.NewTicker(2 * time.Millisecond)
	defer poll.Stop()
	end := time.After(20 * time.Second)
	for {
		for _, c := range readRecord(t, file) {
			if c.name == name && !c.on {
				return c.at
			}
		}
		select {
		case <-poll.C:
		case <-end:
			require.FailNow(t, "stays on", "%s: %v", name, readRecord(t, file))
		}
	}
}

// worst is the time that `bench show` prints for a fault.
func worst(t *testing.T, fault string, scheduling drivers.Span) time.Duration {
	b := processBench()
	for _, p := range Paths(&b, Timing{Scheduling: scheduling, Call: 200 * ms, LostAfter: 3, Silence: 350 * ms}) {
		if p.Fault == fault {
			require.True(t, p.Bounded)
			return duration(p.Worst)
		}
	}
	require.FailNow(t, "no such path", fault)
	return 0
}

// The daemon is killed, or stopped, or ends: what was on goes off by the
// device's own record, within the time that is printed for it (INV-06).
func TestProcessDaemonDies(t *testing.T) {
	for _, c := range []struct {
		name, fault, output string
		signal              syscall.Signal
	}{
		{"killed while charging", "daemon dead", "supply", syscall.SIGKILL},
		{"killed while discharging", "daemon dead", "load", syscall.SIGKILL},
		{"stopped while charging", "daemon frozen", "supply", syscall.SIGSTOP},
		{"stopped while discharging", "daemon frozen", "load", syscall.SIGSTOP},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			record := filepath.Join(t.TempDir(), "record")
			cmd := part("daemon", record)
			if c.output == "supply" {
				cmd.Env = append(cmd.Env, "RIGWARDEN_HOST_TEST_DIRECTION=charge")
			}
			said, err := cmd.StdoutPipe()
			require.NoError(t, err)
			cmd.Stderr = os.Stderr
			require.NoError(t, cmd.Start())
			defer func() {
				cmd.Process.Kill() // the fault may have left it stopped
				io.Copy(io.Discard, said)
				cmd.Wait()
			}()
			lines := bufio.NewScanner(said)
			require.True(t, lines.Scan(), "the daemon did not energise")
			scheduling, err := strconv.ParseInt(strings.TrimPrefix(lines.Text(), "energised "), 10, 64)
			require.NoError(t, err, lines.Text())

			fault := time.Now()
			require.NoError(t, cmd.Process.Signal(c.signal))
			off := awaitOff(t, record, c.output).Sub(fault)
			open := awaitOff(t, record, "box").Sub(fault)
			limit := worst(t, c.fault, drivers.Span(scheduling))
			t.Logf("%s off after %v, contactors open after %v; printed: %v", c.output, off, open, limit)
			require.LessOrEqual(t, off, limit)
			require.LessOrEqual(t, open, limit+duration(openingTime(&testBoxSpec)))
			if c.signal == syscall.SIGSTOP {
				comesBack(t, cmd, lines)
			}
			for _, x := range readRecord(t, record) {
				require.False(t, x.on && x.at.After(fault), "%s came on again", x.name)
			}
		})
	}
}

var testBoxSpec = testBench().Box

// comesBack lets a stopped daemon go on: the renewals and frames that waited
// change nothing, and it is told that its lease ran out.
func comesBack(t *testing.T, cmd *exec.Cmd, lines *bufio.Scanner) {
	require.NoError(t, cmd.Process.Signal(syscall.SIGCONT))
	var said []string
	for lines.Scan() {
		if said = append(said, lines.Text()); strings.HasPrefix(lines.Text(), "set again:") {
			break
		}
	}
	require.Contains(t, said, "lease out")
	require.Equal(t, "set again: true", said[len(said)-1], "a set after the lease must be refused with ErrLease")
}

// A host that dies is noticed at once, and an orderly end is no fault.
func TestProcessHostDies(t *testing.T) {
	record := filepath.Join(t.TempDir(), "record")
	cmd := part("host", record)
	c, err := Start(t.Context(), Command(cmd), Options{Bench: processBench()})
	require.NoError(t, err)
	<-c.Frames()
	require.NoError(t, cmd.Process.Kill())
	require.ErrorContains(t, <-c.Lost(), "driver")
	require.Error(t, c.Set(t.Context(), 1, true, amps(1)))
	require.NoError(t, c.Close(t.Context()))
}

func TestProcessClose(t *testing.T) {
	record := filepath.Join(t.TempDir(), "record")
	cmd := part("host", record)
	c, err := Start(t.Context(), Command(cmd), Options{Bench: processBench()})
	require.NoError(t, err)
	_, _, err = c.Arm(t.Context(), 1, protection(), protection(), testLimits())
	require.NoError(t, err)
	require.NoError(t, c.Set(t.Context(), 1, true, amps(20)))
	var socket string
	for _, e := range cmd.Env {
		if rest, ok := strings.CutPrefix(e, envSocket+"="); ok {
			socket = rest
		}
	}
	info, err := os.Stat(filepath.Dir(socket))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o700), info.Mode().Perm(), "nobody else reaches the wires")

	require.NoError(t, c.Close(t.Context()))
	require.ErrorIs(t, <-c.Lost(), ErrClosed)
	last := readRecord(t, record)
	require.NotEmpty(t, last)
	require.Equal(t, change{last[len(last)-1].at, "supply", false}, last[len(last)-1])
	require.True(t, cmd.ProcessState.Success(), "%v", cmd.ProcessState)
	_, err = os.Stat(filepath.Dir(socket))
	require.ErrorIs(t, err, os.ErrNotExist, "the socket's folder is gone")
	require.NoError(t, c.Close(t.Context()), "twice")
}

func TestProcessBadChildren(t *testing.T) {
	for _, c := range []struct {
		part string
		want error
		text []string
	}{
		{"babble", ErrHandshake, []string{`"Usage: supply [flags]"`, "exit status 2"}},
		{"other version", ErrVersion, []string{"2, here 1", "same release"}},
		{"dies", ErrHandshake, []string{"ended without a word", "exit status 3", "can0: no such device"}},
		{"refuses", ErrStart, []string{"supply at 10.0.0.5:5025: connection refused"}},
		{"mute", ErrHandshake, []string{"nothing came in time"}},
	} {
		t.Run(c.part, func(t *testing.T) {
			t.Parallel()
			wait := 20 * time.Second
			if c.part == "mute" {
				wait = 200 * time.Millisecond
			}
			cmd := part(c.part, "")
			_, err := Start(t.Context(), Command(cmd), Options{Bench: processBench(), StartTimeout: wait})
			require.ErrorIs(t, err, c.want)
			for _, text := range append(c.text, "bench slip-1: host: ") {
				require.ErrorContains(t, err, text)
			}
			require.NotNil(t, cmd.ProcessState, "the child is gone")
		})
	}
	_, err := Start(t.Context(), Command(exec.Command("/nonexistent/rigwarden")), Options{Bench: processBench()})
	require.ErrorIs(t, err, os.ErrNotExist)
}

// Started by hand, a host explains itself and ends; it touches nothing.
func TestProcessByHand(t *testing.T) {
	record := filepath.Join(t.TempDir(), "record")
	out, err := part("host", record).CombinedOutput()
	require.Error(t, err)
	require.Equal(t, ErrByHand.Error()+"\n", string(out))
	_, err = os.Stat(record)
	require.ErrorIs(t, err, os.ErrNotExist)
}

// Another bench file than the daemon's is no host for it.
func TestProcessOtherBench(t *testing.T) {
	other := processBench()
	other.Monitor.Cells = 4
	_, err := Start(t.Context(), Command(part("host", filepath.Join(t.TempDir(), "record"))), Options{Bench: other})
	require.ErrorIs(t, err, ErrImpossible)
	require.ErrorContains(t, err, "start both from one bench file")
}

// The lease pipe never waits for a child that does not read it, keeps room for
// halts, and allocates nothing.
func TestLeasePipe(t *testing.T) {
	r, w, err := os.Pipe()
	require.NoError(t, err)
	defer r.Close()
	defer w.Close()
	p := newLeasePipe(w)
	n := 0
	for ; n < 1000; n++ {
		if err = p.renew(1, 1, drivers.Second); err != nil {
			break
		}
	}
	require.Equal(t, backlogMax+1, n)
	require.ErrorIs(t, err, errPipeFull)
	require.NoError(t, p.halt(2), "a halt still goes")
	require.Equal(t, uint64(n+1), p.haltOf(2))
	require.Zero(t, p.haltOf(1))
	p.read.Store(p.sent.Load())
	require.NoError(t, p.renew(2, 1, drivers.Second))

	require.Zero(t, testing.AllocsPerRun(50, func() {
		p.read.Store(p.sent.Load())
		if p.renew(2, 1, drivers.Second) != nil || p.halt(3) != nil {
			t.Fatal("not sent")
		}
	}))
	for err == nil || n < 1<<16 { // nobody reads: it fills up, and never waits
		if err = p.halt(4); err != nil {
			break
		}
		n++
	}
	require.ErrorIs(t, err, errPipeFull)
	require.NoError(t, r.Close())
	require.ErrorIs(t, p.halt(5), syscall.EPIPE)
}

// The other end of the pipe: reading records allocates nothing either.
func TestPipeAllocatesNothing(t *testing.T) {
	now := at(0)
	k := &keeper{now: func() drivers.Instant { return now }, lease: NewLease(drivers.Second), rearm: make(chan struct{}, 1), opener: &opener{}}
	require.NoError(t, k.arm(1, func() {}))
	now = at(50 * ms)
	k.sent(1, at(10*ms))
	var b [chunk * RecordSize]byte
	for i := range chunk {
		var one [RecordSize]byte
		r := Record{Kind: RecordRenew, Epoch: 1, Echo: 1, Duration: drivers.Second}
		if i == 5 {
			r = Record{Kind: RecordHalt, Epoch: 1}
		}
		r.Encode(&one)
		copy(b[i*RecordSize:], one[:])
	}
	p := &pipe{k: k}
	var records [chunk]Record
	require.Zero(t, testing.AllocsPerRun(100, func() {
		if err := p.obey(b[:], records[:]); err != nil {
			t.Fatal(err)
		}
	}))
	require.Equal(t, at(1010*ms), untilOf(t, k.lease))
}
