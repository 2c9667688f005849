package bench_test

import (
	"context"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/balance"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

func TestExplore(t *testing.T) {
	if os.Getenv("EXPLORE") == "" {
		t.Skip("exploration")
	}
	src, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	m, problems := profiles.ParseModule("KW-01.yaml", src)
	require.Empty(t, problems)
	src, err = profiles.LibraryBench("quay-1")
	require.NoError(t, err)
	b, problems := profiles.ParseBench("quay-1.yaml", src)
	require.Empty(t, problems)
	src, err = profiles.LibraryProfile(os.Getenv("EXPLORE"))
	require.NoError(t, err)
	p, problems := profiles.ParseProfile("profile.yaml", src)
	require.Empty(t, problems)
	plan, problems := profiles.Compile(p, m, b)
	require.Empty(t, problems)
	fmt.Println(profiles.Listing(plan))
	a := virtual.DefaultArticle()
	a.SoC = 0.40
	var faults []virtual.Fault
	if f := os.Getenv("FAULT"); f != "" {
		x, err := virtual.ParseFault(f)
		require.NoError(t, err)
		faults = append(faults, x)
	}
	rig, err := virtual.New(virtual.Config{Bench: b.Bench, Article: a, Seed: 1, Start: 1_790_000_000_000_000, Faults: faults})
	require.NoError(t, err)
	v := bench.NewVirtual(rig, bench.Options{Name: "quay-1"})
	defer v.Close()
	done := make(chan bench.Ending, 1)
	began := time.Now()
	j := &discard{}
	var curve balance.Curve
	for _, x := range m.OCV {
		curve.Points = append(curve.Points, balance.Point{SoCPPM: int64(x.SoC), Voltage: x.Voltage})
	}
	planner, err := balance.New(plan, curve)
	require.NoError(t, err)
	require.NoError(t, v.Start(context.Background(), bench.StartRequest{Run: "R", Plan: plan, Journal: j, Planner: planner, Who: "test", Finished: func(e bench.Ending) { done <- e }}))
	e := <-done
	fmt.Printf("%+v\n%d frames in %v\n", e, j.frames, time.Since(began))
	_ = machine.PhaseIdle
}

type discard struct {
	frames int
	last   drivers.Instant
	t0     drivers.Instant
}

func (d *discard) Frame(f *drivers.Frame) error { d.frames++; return nil }
func (d *discard) Line(seq uint64, at drivers.Instant, line string) error {
	if d.t0 == 0 {
		d.t0 = at
	}
	if os.Getenv("ALL") != "" || len(line) > 6 && (line[:6] == "record" || line[:6] == "finish" || line[:6] == "notify" || line[:6] == "comput") {
		fmt.Printf("%10.1f %s\n", float64(at-d.t0)/1e6, line)
	}
	return nil
}
func (d *discard) Commit() error            { return nil }
func (d *discard) Pending() drivers.Instant { return 0 }
func (d *discard) MarkEnergised(seq uint64, at drivers.Instant, epoch uint64, line string) error {
	return nil
}
func (d *discard) MarkSafe() error { return nil }
func (d *discard) Trip(seq uint64, at drivers.Instant, line, reason string) error {
	fmt.Println(line)
	return nil
}
func (d *discard) Urgent(seq uint64, at drivers.Instant, line string) error {
	fmt.Println(line)
	return nil
}
