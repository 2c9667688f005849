package store

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// childEnv makes the test binary the process that is killed.
const childEnv = "STORE_TEST_CHILD"

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		if err := child(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// childBenches record at once in the child.
const childBenches = 3

// child records as fast as it can on several benches and says on its standard
// output, after each commit, how many frames and urgent lines of each were
// acknowledged as durable.
func child(path string) error {
	s, err := Open(path, Options{Quota: 1 << 30, CommitEvery: 2 * time.Millisecond})
	if err != nil {
		return err
	}
	failed := make(chan error)
	say := make(chan string, 64)
	for i := range childBenches {
		go func() { failed <- childBench(s, i, say) }()
	}
	for {
		select {
		case err := <-failed:
			return err
		case line := <-say:
			if _, err := fmt.Println(line); err != nil {
				return err
			}
		}
	}
}

func childBench(s *Store, bench int, say chan<- string) error {
	l := &drivers.Layout{}
	for i := range 20 {
		l.Channels = append(l.Channels, drivers.Channel{Kind: drivers.CellVoltage, Index: i, Scale: drivers.Scale{Num: 1, Den: 1}})
	}
	if err := l.Index(); err != nil {
		return err
	}
	r, err := s.Begin(Run{Bench: fmt.Sprint("bench-", bench), Module: "KW-01", Layout: l, Plan: []byte("{}"), Start: startAt, Virtual: bench == 2})
	if err != nil {
		return err
	}
	if err := r.MarkEnergised(0, startAt, 1, "permit"); err != nil {
		return err
	}
	src := newSource(uint64(bench), 20)
	for commits := uint64(1); ; commits++ {
		for range 97 {
			if err := r.Frame(src.next()); err != nil {
				return err
			}
		}
		if err := r.Line(src.f.Seq, src.f.At, "step"); err != nil {
			return err
		}
		if commits%5 == 0 {
			if err := r.Urgent(src.f.Seq, src.f.At, "urgent"); err != nil {
				return err
			}
			say <- fmt.Sprintf("urgent %s %d", r.ID(), commits/5)
		}
		if err := r.Commit(); err != nil {
			return err
		}
		say <- fmt.Sprintf("frames %s %d", r.ID(), src.n)
	}
}

// TestINV14KilledProcess kills the recording process at random instants. What it
// acknowledged is there and right, the rest is whole frames in order, the runs
// are interrupted and their benches latched.
func TestINV14KilledProcess(t *testing.T) {
	if testing.Short() {
		t.Skip("the killed children run for seconds and are not under the race detector; runs without -short")
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 5))
	for range 6 {
		path := tempPath(t)
		acknowledged := killed(t, path, time.Duration(20+rng.IntN(400))*time.Millisecond)
		s, err := Open(path, small())
		require.NoError(t, err)
		require.Len(t, s.Recovered(), len(acknowledged.runs))
		for _, found := range s.Recovered() {
			require.True(t, found.Energised)
			judgeKilled(t, s, found, acknowledged)
		}
		require.NoError(t, s.Check())
		require.NoError(t, s.Close())
	}
}

func judgeKilled(t *testing.T, s *Store, found Recovery, told acknowledged) {
	t.Helper()
	bench, err := strconv.Atoi(strings.TrimPrefix(found.Bench, "bench-"))
	require.NoError(t, err)
	want := newSource(uint64(bench), 20)
	n := 0
	require.NoError(t, s.Frames(found.Run, 0, 0, func(f *drivers.Frame) error {
		require.Equal(t, want.next(), f)
		n++
		return nil
	}))
	require.GreaterOrEqual(t, n, told.frames[found.Run], "acknowledged frames are lost")
	require.Equal(t, uint64(n), found.Frames)
	urgent := 0
	for _, line := range lines(t, s, found.Run) {
		if strings.HasSuffix(line, " urgent") {
			urgent++
		}
	}
	require.GreaterOrEqual(t, urgent, told.urgent[found.Run], "an acknowledged line is lost")
	require.LessOrEqual(t, urgent, told.urgent[found.Run]+2, "a line came twice")
	info, err := s.Run(found.Run)
	require.NoError(t, err)
	require.Equal(t, machine.OutcomeInterrupted, info.Outcome)
	_, latched, err := s.Latch(found.Bench)
	require.NoError(t, err)
	require.True(t, latched)
}

// acknowledged is what a child said was durable.
type acknowledged struct {
	runs           map[string]bool
	frames, urgent map[string]int
}

// killed runs a child on path until after its first words and then for so long,
// kills it, and returns what it said.
func killed(t *testing.T, path string, after time.Duration) acknowledged {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), childEnv+"="+path)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	told := acknowledged{runs: map[string]bool{}, frames: map[string]int{}, urgent: map[string]int{}}
	var timer *time.Timer
	for in := bufio.NewScanner(out); in.Scan(); {
		word := strings.Fields(in.Text())
		if len(word) != 3 {
			continue // cut short by the kill
		}
		n, err := strconv.Atoi(word[2])
		require.NoError(t, err)
		told.runs[word[1]] = true
		if word[0] == "frames" {
			told.frames[word[1]] = n
		} else {
			told.urgent[word[1]] = n
		}
		if timer == nil && len(told.runs) == childBenches {
			timer = time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		}
	}
	require.Error(t, cmd.Wait(), "the child must not end by itself")
	require.NotNil(t, timer, "the child said nothing")
	total := 0
	for _, n := range told.frames {
		total += n
	}
	t.Logf("killed after %v more; %d frames acknowledged", after, total)
	return told
}
