package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"google.golang.org/protobuf/proto"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func busyStatus() *rigwardenv1.BenchStatus {
	return &rigwardenv1.BenchStatus{
		Bench: "quay-1", Phase: rigwardenv1.Phase_PHASE_RUNNING, Run: "r000001", AtUs: 1_791_786_600_000_000,
		Step: "cycles/discharge", Stage: "current", StepSpanUs: 3_600_000_000, StepLeftUs: 7_140_000_000,
		RunSpanUs: 36_000_000_000, RunLeftUs: 77_000_000_000, StepChargeNc: -48_000_000_000_000,
		VoltageUv: proto.Int64(78_412_000), CurrentUa: proto.Int64(-13_331_000),
		CellHighUv: proto.Int64(3_281_400), CellHigh: 22, CellLowUv: proto.Int64(3_262_000), CellLow: 13,
		TempHighMk: proto.Int64(297_650), TempHigh: 1, TempLowMk: proto.Int64(296_250), TempLow: 5,
	}
}

func TestStatusShowsEverythingAndFitsTheScreen(t *testing.T) {
	got := strings.Join(statusBlock(busyStatus()), "\n")
	for _, want := range []string{
		"running", "cycles/discharge", "in step 1:00:00, left 1:59:00", "run 10:00:00, left 21:23:20",
		"78.412 V", "-13.331 A", "-13.333 Ah", "highest 3.281 V #22", "lowest 3.262 V #13", "23.1 to 24.5 degC",
	} {
		assert.Contains(t, got, want)
	}
	for _, l := range statusBlock(busyStatus()) {
		assert.LessOrEqual(t, utf8.RuneCountInString(l), screen, l)
	}
}

// INV-02: what gave no reading is said to, and never shown as a number.
func TestStatusSaysWhereThereIsNoReading(t *testing.T) {
	b := busyStatus()
	b.VoltageUv, b.CellHighUv, b.TempHighMk = nil, nil, nil
	b.Latched = "cell 13 at 3.612 V"
	got := strings.Join(statusBlock(b), "\n")
	assert.Contains(t, got, "no reading  -13.331 A")
	assert.Contains(t, got, "highest no reading")
	assert.Contains(t, got, "no temperature")
	assert.Contains(t, got, "LATCHED: cell 13 at 3.612 V")
}

// On a terminal the block is redrawn in place and lines stay above it; a pipe
// gets one line a status and no control characters.
func TestProgressDrawsInPlaceOnlyOnATerminal(t *testing.T) {
	var out bytes.Buffer
	p := &progress{out: &out, live: true}
	p.status(busyStatus())
	p.status(busyStatus())
	p.say("a step ended")
	p.done()
	assert.Equal(t, 2, strings.Count(out.String(), "\x1b[2A\x1b[J"), "two blocks of two lines were taken off")
	assert.True(t, strings.HasSuffix(out.String(), "a step ended\n"))

	out.Reset()
	p = &progress{out: &out}
	p.status(busyStatus())
	p.done()
	assert.Equal(t, 1, strings.Count(out.String(), "\n"))
	assert.NotContains(t, out.String(), "\x1b")
}

// The table of single faults takes minutes: what is behind and what is left are
// told as for any rehearsal, and nothing of seeds.
func TestStrikesAreTold(t *testing.T) {
	var out bytes.Buffer
	p := &runsTold{out: &out, live: true}
	p.struck(0, 1482)
	p.latest = p.latest.Add(-toldInLines)
	p.struck(1, 1482)
	assert.Contains(t, out.String(), "1482 faults are struck, each in a run of its own.")
	assert.Contains(t, out.String(), "1 of 1482 faults, ")
	assert.NotContains(t, out.String(), "not held")
	out.Reset()
	p = &runsTold{out: &out, silent: true}
	p.struck(0, 9)
	p.struck(1, 9)
	assert.Empty(t, out.String())
}
