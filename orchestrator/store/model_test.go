package store

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// modelRun is the plain model of one run: lists, and how much of them is durable.
type modelRun struct {
	r             *Recorder
	src           *source
	virtual       bool
	frames        []*drivers.Frame
	lines         []Event
	durableFrames int
	durableLines  int
	urgent        map[int]bool // lines that are durable ahead of others
	energised     bool
	ended         bool
	interrupted   bool
	seq           uint64
}

// durable are the lines that a reader finds.
func (m *modelRun) durable() (list []Event) {
	list = append(list, m.lines[:m.durableLines]...)
	for i := m.durableLines; i < len(m.lines); i++ {
		if m.urgent[i] {
			e := m.lines[i]
			e.Ahead = true
			list = append(list, e)
		}
	}
	return list
}

func (m *modelRun) committed() {
	m.durableFrames, m.durableLines = len(m.frames), len(m.lines)
}

// storeModel drives a store and its model side by side.
type storeModel struct {
	s       *Store
	dir     string
	copies  int
	runs    map[string]*modelRun
	order   []string
	latches map[string]bool
}

// TestStoreAgainstModel: whatever is recorded, committed, marked, ended and
// killed in whatever order, readers find exactly what the plain model holds.
func TestStoreAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "store-model-")
		require.NoError(t, err)
		defer os.RemoveAll(dir)
		m := &storeModel{dir: dir, runs: map[string]*modelRun{}, latches: map[string]bool{}}
		m.s, err = Open(filepath.Join(dir, "rig.db"), modelOptions())
		require.NoError(t, err)
		defer func() { require.NoError(t, m.s.Close()) }()
		t.Repeat(map[string]func(*rapid.T){
			"begin":  m.begin,
			"frames": m.record,
			"line":   m.line,
			"urgent": m.urgent,
			"mark":   m.mark,
			"safe":   m.safe,
			"commit": m.commit,
			"finish": m.finish,
			"kill":   m.kill,
			"clear":  m.clear,
			"":       m.compare,
		})
		require.NoError(t, m.s.Check())
	})
}

// modelChunk is short, so that many chunks come about.
const modelChunk = 64

func modelOptions() Options {
	o := small()
	o.chunkFrames = modelChunk
	return o
}

var modelBenches = []string{"bench-1", "bench-2", "bench-3"}

// running draws a run under way, or skips.
func (m *storeModel) running(t *rapid.T) *modelRun {
	var list []*modelRun
	for _, id := range m.order {
		if r := m.runs[id]; !r.ended {
			list = append(list, r)
		}
	}
	if len(list) == 0 {
		t.Skip("no run under way")
	}
	return rapid.SampledFrom(list).Draw(t, "run")
}

func (m *storeModel) begin(t *rapid.T) {
	bench := rapid.SampledFrom(modelBenches).Draw(t, "bench")
	busy := false
	for _, r := range m.runs {
		busy = busy || !r.ended && r.r.start.Bench == bench
	}
	l := &drivers.Layout{}
	for i := range rapid.IntRange(1, 5).Draw(t, "cells") {
		l.Channels = append(l.Channels, drivers.Channel{Kind: drivers.CellVoltage, Index: i, Scale: drivers.Scale{Num: 1, Den: 1}})
	}
	require.NoError(t, l.Index())
	virtual := rapid.Bool().Draw(t, "virtual")
	r, err := m.s.Begin(Run{Bench: bench, Module: "KW-01", Layout: l, Plan: []byte(`{}`), Start: startAt, Virtual: virtual})
	switch {
	case busy:
		require.ErrorIs(t, err, ErrRunning)
		return
	case m.latches[bench]:
		require.ErrorIs(t, err, ErrLatched)
		return
	}
	require.NoError(t, err)
	require.NotContains(t, m.runs, r.ID())
	m.runs[r.ID()] = &modelRun{r: r, src: newSource(uint64(len(m.order)), len(l.Channels)), virtual: virtual, urgent: map[int]bool{}}
	m.order = append(m.order, r.ID())
}

func (m *storeModel) record(t *rapid.T) {
	r := m.running(t)
	n := rapid.SampledFrom([]int{1, 5, 40, 150}).Draw(t, "n")
	for range n {
		f := r.src.next()
		require.NoError(t, r.r.Frame(f))
		r.frames = append(r.frames, f.Clone())
		r.seq = max(r.seq, f.Seq)
		if !r.virtual && len(r.frames)%modelChunk == modelChunk-5 {
			require.NoError(t, r.r.Commit())
			m.settle()
		}
	}
}

func (m *storeModel) line(t *rapid.T) {
	r := m.running(t)
	e := Event{Seq: r.seq, At: startAt, Line: fmt.Sprint("line ", len(r.lines))}
	require.NoError(t, r.r.Line(e.Seq, e.At, e.Line))
	r.lines = append(r.lines, e)
}

func (m *storeModel) urgent(t *rapid.T) {
	r := m.running(t)
	e := Event{Seq: r.seq, At: startAt, Line: fmt.Sprint("urgent ", len(r.lines))}
	require.NoError(t, r.r.Urgent(e.Seq, e.At, e.Line))
	r.urgent[len(r.lines)] = true
	r.lines = append(r.lines, e)
}

func (m *storeModel) mark(t *rapid.T) {
	r := m.running(t)
	e := Event{Seq: r.seq, At: startAt, Line: "permit"}
	require.NoError(t, r.r.MarkEnergised(e.Seq, e.At, 1, e.Line))
	r.urgent[len(r.lines)] = true
	r.lines = append(r.lines, e)
	r.energised = true
}

func (m *storeModel) safe(t *rapid.T) {
	r := m.running(t)
	require.NoError(t, r.r.MarkSafe())
	r.energised = false
}

func (m *storeModel) commit(t *rapid.T) {
	r := m.running(t)
	idle := r.durableFrames == len(r.frames) && r.durableLines == len(r.lines)
	require.NoError(t, r.r.Commit())
	require.Zero(t, r.r.Pending())
	r.committed()
	if !r.virtual && !idle {
		m.settle()
	}
}

// settle: a live commit takes every live run along.
func (m *storeModel) settle() {
	for _, r := range m.runs {
		if !r.ended && !r.virtual {
			r.committed()
		}
	}
}

func (m *storeModel) finish(t *rapid.T) {
	r := m.running(t)
	require.NoError(t, r.r.Finish(machine.OutcomeDone, "", startAt))
	r.committed()
	r.ended, r.energised = true, false
}

// kill goes on with a copy of the file as it is now.
func (m *storeModel) kill(t *rapid.T) {
	b, err := os.ReadFile(m.s.Path())
	require.NoError(t, err)
	require.NoError(t, m.s.Close())
	m.copies++
	path := filepath.Join(m.dir, fmt.Sprint("copy", m.copies))
	require.NoError(t, os.WriteFile(path, b, 0o600))
	m.s, err = Open(path, modelOptions())
	require.NoError(t, err)
	var want []string
	for _, id := range m.order {
		r := m.runs[id]
		if r.ended {
			continue
		}
		want = append(want, id)
		r.ended, r.interrupted = true, true
		m.known(t, r)
		m.latches[r.r.start.Bench] = m.latches[r.r.start.Bench] || r.energised
	}
	var got []string
	for _, found := range m.s.Recovered() {
		got = append(got, found.Run)
	}
	require.Equal(t, want, got)
}

// known takes over how much of a killed run was durable: a virtual run commits
// by itself after some real time, so that the model knows only the least.
func (m *storeModel) known(t *rapid.T, r *modelRun) {
	info, err := m.s.Run(r.r.ID())
	require.NoError(t, err)
	n := int(info.Frames)
	require.LessOrEqual(t, r.durableFrames, n)
	require.LessOrEqual(t, n, len(r.frames))
	if !r.virtual {
		require.Equal(t, r.durableFrames, n)
	}
	r.lines = r.durable()
	for i := range r.lines {
		r.lines[i].Ahead = false // sealed with the others
	}
	if n > r.durableFrames {
		r.lines = lines2(t, m.s, info.ID) // it committed by itself
	}
	r.frames = r.frames[:n]
	r.committed()
}

func (m *storeModel) clear(t *rapid.T) {
	bench := rapid.SampledFrom(modelBenches).Draw(t, "bench")
	err := m.s.ClearLatch(bench, "engineer", "seen", startAt)
	if !m.latches[bench] {
		require.ErrorIs(t, err, ErrNotLatched)
		return
	}
	require.NoError(t, err)
	m.latches[bench] = false
}

// compare reads everything and compares.
func (m *storeModel) compare(t *rapid.T) {
	infos, err := m.s.Runs(RunFilter{})
	require.NoError(t, err)
	require.Len(t, infos, len(m.order))
	for i, id := range m.order {
		r := m.runs[id]
		require.Equal(t, id, infos[i].ID)
		require.Equal(t, r.interrupted, infos[i].Outcome == machine.OutcomeInterrupted)
		n := 0
		require.NoError(t, m.s.Frames(id, 0, 0, func(f *drivers.Frame) error {
			require.Less(t, n, len(r.frames))
			require.Equal(t, r.frames[n], f)
			n++
			return nil
		}))
		if r.virtual && n > r.durableFrames {
			r.durableFrames = n // committed by itself; its lines came along
			r.durableLines = max(r.durableLines, len(lines2(t, m.s, id)))
		}
		require.Equal(t, r.durableFrames, n)
		require.Equal(t, r.durable(), lines2(t, m.s, id))
	}
	for _, bench := range modelBenches {
		_, latched, err := m.s.Latch(bench)
		require.NoError(t, err)
		require.Equal(t, m.latches[bench], latched)
	}
}

func lines2(t *rapid.T, s *Store, id string) (list []Event) {
	require.NoError(t, s.Events(id, 0, func(e Event) error {
		list = append(list, e)
		return nil
	}))
	return list
}
