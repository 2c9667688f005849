package store

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// tempStore is a store file that ends with a whole-file check; where a test
// fails, the file is kept and named.
func tempPath(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "store-")
	require.NoError(t, err)
	path := filepath.Join(dir, "rig.db")
	t.Cleanup(func() {
		if !t.Failed() {
			checkFile(t, path)
		}
		if t.Failed() {
			t.Logf("the store is kept: %s", path)
			return
		}
		require.NoError(t, os.RemoveAll(dir))
	})
	return path
}

// checkFile opens the file for reading and checks it whole.
func checkFile(t testing.TB, path string) {
	t.Helper()
	s, err := Open(path, Options{ReadOnly: true})
	require.NoError(t, err)
	require.NoError(t, s.Check())
	require.NoError(t, s.Close())
}

// small are the options of most tests: no syncs, and no waiting for others.
func small() Options {
	return Options{Quota: 256 << 20, NoSync: true, CommitEvery: 1}
}

func openStore(t testing.TB, path string, o Options) *Store {
	t.Helper()
	s, err := Open(path, o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// layout has the given number of cells, one temperature, the current and a beat.
func layout(t testing.TB, cells int) *drivers.Layout {
	t.Helper()
	l := &drivers.Layout{}
	for i := range cells {
		l.Channels = append(l.Channels, drivers.Channel{Kind: drivers.CellVoltage, Index: i, Scale: drivers.Scale{Num: 100, Den: 1}})
	}
	for _, k := range []drivers.Kind{drivers.Temperature, drivers.ModuleCurrent, drivers.MonitorBeat} {
		l.Channels = append(l.Channels, drivers.Channel{Kind: k, Scale: drivers.Scale{Num: 1000, Den: 1}})
	}
	require.NoError(t, l.Index())
	return l
}

const startAt = drivers.Instant(1_800_000_000_000_000)

func demoRun(t testing.TB, bench string, virtual bool) Run {
	return Run{
		Bench: bench, Module: "KW-01", Profile: "qualify", Layout: layout(t, 4), Plan: []byte(`{"profile":"qualify"}`),
		PlanDigest: "d1", Criteria: "capacity: 40 Ah", Start: startAt, Who: "engineer", Virtual: virtual,
	}
}

// source makes frames of a slow, noisy signal at 10 Hz.
type source struct {
	rng *rand.Rand
	n   int
	f   drivers.Frame
}

func newSource(seed uint64, channels int) *source {
	return &source{rng: rand.New(rand.NewPCG(seed, 3)), f: drivers.Frame{Counts: make([]int32, channels)}}
}

func (s *source) next() *drivers.Frame {
	s.f.At = startAt.Add(drivers.Span(s.n) * 100 * drivers.Millisecond)
	s.f.Seq, s.f.Echo = uint64(2*s.n+1), uint64(s.n)
	for i := range s.f.Counts {
		s.f.Counts[i] = int32(33_000 + 7*i + s.n/50 + s.rng.IntN(3))
	}
	s.n++
	return &s.f
}

func record(t testing.TB, r *Recorder, from *source, n int) []*drivers.Frame {
	t.Helper()
	var list []*drivers.Frame
	for range n {
		f := from.next()
		require.NoError(t, r.Frame(f))
		list = append(list, f.Clone())
	}
	return list
}

func frames(t testing.TB, s *Store, id string) []*drivers.Frame {
	t.Helper()
	var list []*drivers.Frame
	require.NoError(t, s.Frames(id, 0, 0, func(f *drivers.Frame) error {
		list = append(list, f.Clone())
		return nil
	}))
	return list
}

func lines(t testing.TB, s *Store, id string) []string {
	t.Helper()
	var list []string
	require.NoError(t, s.Events(id, 0, func(e Event) error {
		list = append(list, fmt.Sprintf("%d %s", e.Seq, e.Line))
		return nil
	}))
	return list
}

func finish(t testing.TB, r *Recorder) {
	t.Helper()
	require.NoError(t, r.Finish(machine.OutcomeDone, "all steps done", startAt.Add(drivers.Hour)))
}

// isOurs says that an error has one of this package's names.
func isOurs(err error) bool {
	for _, named := range []error{ErrDamaged, ErrChain, ErrNotFound, ErrForeign} {
		if errors.Is(err, named) {
			return true
		}
	}
	return false
}
