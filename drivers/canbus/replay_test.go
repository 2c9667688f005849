package canbus

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

var rewrite = flag.Bool("rewrite", false, "write the recorded bus and its readings anew")

const (
	chargeLog      = "../../testdata/can/kw-01-charge.log"
	chargeReadings = "testdata/kw-01-charge.readings.txt"
)

// recordCharge is how testdata/can/kw-01-charge.log came about: seven seconds of
// bench quay-1, on which module KW-01 (invented) begins to be charged. On the
// bus things go wrong on purpose: error frames, a stranger's frames, a lost, a
// spoilt and a doubled frame, and half a second of silence.
func recordCharge(t *testing.T) string {
	c := virtual.Config{Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(), Seed: 1, Start: 1_790_000_000_000_000}
	c.Bench.Name = "quay-1"
	b, err := virtual.New(c)
	require.NoError(t, err)
	set, ctx := b.Set(), context.Background()
	id, err := set.Monitor.Identify(ctx)
	require.NoError(t, err)
	s := &model{t: t, bench: b, spec: c.Bench.Monitor, counters: map[uint32]byte{}, identity: id}
	var log strings.Builder
	write := func(at drivers.Instant, f *Frame) { log.WriteString(Record{at, *f}.String() + "\n") }
	steps := map[int]func(){
		1:  func() { require.NoError(t, set.Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPrecharge)) },
		12: func() { require.NoError(t, set.Box.Switch(ctx, drivers.BoxNegative|drivers.BoxPositive)) },
		14: func() {
			_, err := set.Supply.Arm(ctx, drivers.Protection{VoltageMax: 90 * drivers.Volt, CurrentMax: 25 * drivers.Ampere, CommTimeout: 2 * drivers.Second})
			require.NoError(t, err)
		},
		15: func() {
			require.NoError(t, set.Supply.Set(ctx, drivers.Setpoint{On: true, Current: 20 * drivers.Ampere, Voltage: 87 * drivers.Volt}))
		},
		30: func() { require.NoError(t, set.Monitor.Bleed(ctx, []int32{1 << 4, 1 << 3})) },
		40: func() { require.NoError(t, set.Monitor.Halt(ctx)) },
	}
	var r drivers.MonitorReading
	for n := range 70 {
		b.Advance(b.Now().Add(s.spec.Period))
		if do := steps[n]; do != nil {
			do()
		}
		_, err := set.Box.Read(ctx)
		require.NoError(t, err)
		_, err = set.Supply.Read(ctx)
		require.NoError(t, err)
		require.NoError(t, set.Monitor.Read(ctx, &r))
		at := b.Now()
		s.spoil = func(f *Frame) bool {
			at = at.Add(250) // us, two frames at 500 kbit/s
			switch {
			case n >= 50 && n < 55, n == 43 && f.ID == CommonCellsID+2:
				return false
			case n == 45 && f.ID == CommonCurrentID:
				f.Data[1] ^= 0x10
			case n == 47 && f.ID == CommonTempsID:
				write(at, f)
			}
			write(at, f)
			return false
		}
		s.sweep(&r)
		switch n {
		case 20, 21:
			write(at.Add(100), &Frame{ID: 0x8, Flags: ErrorFrame, Len: 8, Data: [8]byte{2: 4}})
		case 25:
			write(at.Add(100), &Frame{ID: 0x18FF1234, Flags: Extended, Len: 3, Data: [8]byte{1, 2, 3}})
			write(at.Add(200), &Frame{ID: 0x7DF, Flags: Remote, Len: 2})
		}
	}
	return log.String()
}

// describe writes readings one a line.
func describe(t *testing.T, text string) string {
	m, spec := common(t, 24, 6)
	p, err := Replay(ParseCandump(strings.NewReader(text)), m, spec)
	require.NoError(t, err)
	var b strings.Builder
	span := func(list []int32) string {
		known := slices.DeleteFunc(slices.Clone(list), func(c int32) bool { return c == drivers.NoReading })
		if len(known) == 0 {
			return "none"
		}
		s := fmt.Sprintf("%d to %d", slices.Min(known), slices.Max(known))
		if n := len(list) - len(known); n > 0 {
			s += fmt.Sprintf(" (%d none)", n)
		}
		return s
	}
	var first drivers.Instant
	for at, r := range p.Readings() {
		if first == 0 {
			first = at
		}
		current := "none"
		if r.Current != drivers.NoReading {
			current = fmt.Sprint(r.Current)
		}
		fmt.Fprintf(&b, "%8.3f s  beat %2d  current %4s  cells %s  temperatures %s  bleeding", float64(at.Sub(first))/1e6, r.Beat, current, span(r.Cells), span(r.Temps))
		for _, w := range r.Bleeding {
			if w == drivers.NoReading {
				b.WriteString(" none")
				continue
			}
			fmt.Fprintf(&b, " %04x", w)
		}
		b.WriteString("\n")
	}
	require.NoError(t, p.Err())
	fmt.Fprintf(&b, "%+v\n", p.Counts())
	for _, n := range p.Notices() {
		b.WriteString(n + "\n")
	}
	return b.String()
}

// A recorded bus becomes readings: the same ones each time.
func TestReplay(t *testing.T) {
	made := recordCharge(t)
	if *rewrite {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(chargeLog, []byte(made), 0o644))
		require.NoError(t, os.WriteFile(chargeReadings, []byte(describe(t, made)), 0o644))
	}
	text, err := os.ReadFile(chargeLog)
	require.NoError(t, err)
	assert.Less(t, len(text), 200_000)
	require.True(t, made == string(text), "the recording is not what its generator makes; -rewrite writes it anew")
	want, err := os.ReadFile(chargeReadings)
	require.NoError(t, err)
	require.Equal(t, string(want), describe(t, string(text)))
}

// Silence in a log is silence in the readings; a hole is told.
func TestReplayOfHoles(t *testing.T) {
	m, spec := common(t, 24, 6)
	var log strings.Builder
	at := drivers.Instant(0)
	for n := range 3 {
		at = []drivers.Instant{0, 1_000_000, 10_000_000_000}[n]
		for _, f := range sweepFrames(m, 24, byte(n+1)) {
			log.WriteString(Record{at, f}.String() + "\n")
		}
	}
	log.WriteString("(0000000005.000000) can0 100#\nnonsense\n")
	p, err := Replay(ParseCandump(strings.NewReader(log.String())), m, spec)
	require.NoError(t, err)
	var lines []string
	for at, r := range p.Readings() {
		lines = append(lines, fmt.Sprintf("%d %d %d", at/1000, r.Beat, r.Cells[0]))
	}
	// sweepFrames has one temperature of six: sweeps count once the others are
	// too old to be waited for, and show as none.
	assert.Equal(t, []string{"150 0 -2147483648", "250 0 -2147483648"}, lines[:2])
	assert.Len(t, lines, 9+600)
	assert.ErrorContains(t, p.Err(), "nothing was recorded for 9999.000 s before 10000000000 us")
	assert.ErrorContains(t, p.Err(), "(and 2 more)")
	_, err = Replay(nil, m, drivers.MonitorSpec{})
	assert.Error(t, err)
	// A reader may stop early.
	p, err = Replay(ParseCandump(strings.NewReader(log.String())), m, spec)
	require.NoError(t, err)
	for range p.Readings() {
		break
	}
}

// The address log:FILE plays a recording at its pace by the driver's clock.
func TestLogAddress(t *testing.T) {
	m, spec := common(t, 24, 6)
	var now, seen atomic.Int64
	notices := make(chan string, 100)
	monitor, err := New(Options{
		Address: "log:" + chargeLog, Map: m, Now: func() drivers.Instant { return drivers.Instant(now.Load()) },
		Expect: drivers.Identity{Serial: "quay-1-1"},
		Notice: func(text string) { notices <- text }, seen: func() { seen.Add(1) },
	}, spec)
	require.NoError(t, err)
	t.Cleanup(func() { _ = monitor.Close() })
	wait := &rig{model: &model{t: t}}
	wait.await("the first frame", func() bool { return seen.Load() > 0 })
	// Thirteen frames a sweep; nothing comes before its time.
	now.Add(99_000)
	wait.await("the first sweep", func() bool { return seen.Load() == 13 })
	var r drivers.MonitorReading
	assert.ErrorIs(t, monitor.Read(shortly(t), &r), drivers.ErrNoAnswer, "it has not said who it is")
	for range 14 {
		now.Add(100_000)
		before := seen.Load()
		wait.await("the next sweep", func() bool { return seen.Load() >= before+13 })
	}
	id, err := monitor.Identify(soon(t))
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "rigwarden", Model: "virtual monitor", Serial: "quay-1-1", Firmware: "1"}, id)
	require.NoError(t, monitor.Read(soon(t), &r))
	assert.EqualValues(t, 15, r.Beat)
	assert.ErrorIs(t, monitor.Bleed(soon(t), []int32{1, 0}), drivers.ErrRefused)
	assert.NoError(t, monitor.Halt(soon(t)), "a recording bleeds nothing")
	now.Add(10_000_000)
	for text := range notices {
		if strings.Contains(text, "the recording has ended") {
			break
		}
	}
	now.Add(1_000_000)
	err = monitor.Read(soon(t), &r)
	assert.ErrorIs(t, err, drivers.ErrNoAnswer)
	assert.ErrorContains(t, err, "the recording has ended")
}

// can-utils' own reader of such logs finds the same frames in ours.
func TestLogReadByCanUtils(t *testing.T) {
	tool, err := exec.LookPath("log2asc")
	if err != nil {
		if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "can-utils") {
			t.Fatal("can-utils is demanded by RIGWARDEN_REQUIRE and not installed (Debian package can-utils)")
		}
		t.Skip("log2asc of Debian's can-utils is not installed here")
	}
	out, err := exec.Command(tool, "-I", chargeLog, "can0").Output()
	require.NoError(t, err)
	var theirs []string
	for line := range bytes.Lines(out) {
		words := strings.Fields(string(line))
		if len(words) > 3 && words[1] == "1" || len(words) == 3 && words[2] == "ErrorFrame" {
			theirs = append(theirs, strings.ToUpper(words[0]+" "+strings.Join(words[2:], "")))
		}
	}
	text, err := os.ReadFile(chargeLog)
	require.NoError(t, err)
	var ours []string
	var first drivers.Instant
	for rec, err := range ParseCandump(bytes.NewReader(text)) {
		require.NoError(t, err)
		if first == 0 {
			first = rec.At
		}
		f := &rec.Frame
		head := fmt.Sprintf("%.6f %X", float64(rec.At.Sub(first))/1e6, f.ID)
		switch {
		case f.Flags&ErrorFrame != 0:
			head = fmt.Sprintf("%.6f ERRORFRAME", float64(rec.At.Sub(first))/1e6)
		case f.Flags&Remote != 0:
			head += fmt.Sprintf("RXR%d", f.Len)
		case f.Flags&Extended != 0:
			head += fmt.Sprintf("XRXD%d%X", f.Len, f.Data[:f.Len])
		default:
			head += fmt.Sprintf("RXD%d%X", f.Len, f.Data[:f.Len])
		}
		ours = append(ours, head)
	}
	require.Greater(t, len(ours), 800)
	assert.Equal(t, theirs, ours)
}
