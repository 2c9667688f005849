package store

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// history drives a store through writes of every kind and knows what was
// acknowledged. Each write is handed to judge before its caller is told.
type history struct {
	t      testing.TB
	rng    *rand.Rand
	path   string
	o      Options
	s      *Store
	kind   string
	before []byte
	judge  func(*history, *diskWrite)

	benches []*historyBench
	now     *historyBench // acted on
	runs    map[string]*historyRun
	modules int
	trail   map[string]int // acknowledged entries of the audit trail, by what they say
	judged  []string       // runs with figures
	ended   []string
	kills   int
}

type historyBench struct {
	name    string
	latched bool
	run     *historyRun // under way
}

type historyRun struct {
	r         *Recorder
	all       []*drivers.Frame // appended
	told      int              // acknowledged as durable
	lines     int              // acknowledged urgent lines
	src       *source
	noise     bool
	energised bool
	ended     machine.Outcome // as acknowledged; empty before that
}

// historyNow dates recoveries: the same file is always recovered to the same.
func historyNow() time.Time { return time.UnixMicro(int64(startAt.Add(24 * drivers.Hour))) }

const historyChunk = 64

// historyOptions leave syncs out: what reaches the disk is the images' matter.
func historyOptions(quota int64) Options {
	return Options{
		Quota: quota, Reserve: leastReserve, NoSync: true, CommitEvery: 1, Now: historyNow, Orderly: true,
		chunkFrames: historyChunk, extend: func(file *os.File, _, to int64) error { return file.Truncate(to) },
	}
}

func newHistory(t testing.TB, seed uint64, quota int64, judge func(*history, *diskWrite)) *history {
	t.Helper()
	h := &history{
		t: t, rng: rand.New(rand.NewPCG(seed, 14)), path: filepath.Join(t.TempDir(), "rig.db"), o: historyOptions(quota),
		judge: judge, runs: map[string]*historyRun{}, trail: map[string]int{}, kind: "create",
	}
	h.o.Disk = h.step
	for i := range 3 {
		h.benches = append(h.benches, &historyBench{name: fmt.Sprint("bench-", i)})
	}
	h.open()
	h.kind = "register"
	module := Module{Serial: "KW-01", Source: "serial: KW-01\n", Who: "technician"}
	require.NoError(t, h.s.PutModule(module))
	h.modules = 1
	h.kind = "amend"
	require.NoError(t, h.s.AmendModule(module))
	h.kind = "first check"
	require.NoError(t, h.s.PutCheck(module.Serial, handCheck()))
	return h
}

func handCheck() Check {
	return Check{At: startAt, Who: "technician", Method: "hand", Grade: "good", Findings: []byte("[]")}
}

// halting makes a test that fails within a write fail that write instead: it may
// be on a goroutine of the store's own, which must go on.
type halting struct{ testing.TB }

var errHalted = errors.New("what the write left is not as it must be")

func (halting) FailNow() { panic(errHalted) }

// step takes the file before and after each write.
func (h *history) step(at DiskStep) (err error) {
	defer func() {
		if r := recover(); r == errHalted {
			err = errHalted
		} else if r != nil {
			panic(r)
		}
	}()
	switch at {
	case DiskBegin:
		h.before = h.file()
	case DiskWritten:
		h.judge(h, newDiskWrite(h.kind, h.before, h.file()))
	}
	return nil
}

func (h *history) file() []byte {
	b, err := os.ReadFile(h.path)
	require.NoError(halting{h.t}, err)
	return b
}

func (h *history) open() {
	s, err := Open(h.path, h.o)
	require.NoError(h.t, err)
	h.s = s
}

// ok takes the answer to a write. A full store may refuse what is not urgent.
func (h *history) ok(err error) bool {
	if errors.Is(err, ErrFull) {
		return false
	}
	require.NoError(h.t, err, h.kind)
	return true
}

// act does one thing by lot, and says in kind what.
func (h *history) act() {
	b := h.benches[h.rng.IntN(len(h.benches))]
	h.now = b
	switch {
	case b.run == nil && b.latched:
		h.kind = "acknowledge"
		require.NoError(h.t, h.s.ClearLatch(b.name, "engineer", "seen", startAt))
		b.latched = false
		h.trail["acknowledge"]++
	case b.run == nil && h.rng.IntN(4) > 0:
		h.begin(b)
	case b.run == nil:
		h.desk(b)
	default:
		h.live(b)
	}
}

// desk is what people do between runs.
func (h *history) desk(b *historyBench) {
	module := Module{Serial: fmt.Sprintf("KW-%02d", h.modules), Source: fmt.Sprintf("serial: KW-%02d\nnote: %d\n", h.modules, h.rng.Uint64()), Who: "technician"}
	switch h.rng.IntN(6) {
	case 0, 1:
		h.kind = "register"
		module.Serial = fmt.Sprintf("KW-%02d", h.modules+1)
		if h.ok(h.s.PutModule(module)) {
			h.modules++
		}
	case 2:
		h.kind = "amend"
		if h.modules > 0 {
			h.ok(h.s.AmendModule(module))
		}
	case 3:
		h.kind = "first check"
		if h.modules > 0 {
			h.ok(h.s.PutCheck(module.Serial, handCheck()))
		}
	case 4:
		h.kind = "latch"
		require.NoError(h.t, h.s.SetLatch(Latch{Bench: b.name, Reason: "cell high in a rest", At: startAt}))
		b.latched = true
		h.trail["latch"]++
	default:
		h.kind = "judge"
		if n := len(h.ended); n > 0 {
			id := h.ended[n-1]
			h.ended = h.ended[:n-1]
			if h.ok(h.s.PutFigures(Figures{Run: id, Verdict: "pass", Figures: []byte(`{"capacity_Ah":40.1}`), Reasons: []byte(`[]`), Digest: "d"})) {
				h.judged = append(h.judged, id)
			}
		}
	}
}

func (h *history) begin(b *historyBench) {
	h.kind = "begin"
	cells := []int{4, 100}[h.rng.IntN(2)]
	run := demoRun(h.t, b.name, false)
	run.Layout = layout(h.t, cells)
	r, err := h.s.Begin(run)
	if !h.ok(err) {
		return
	}
	b.run = &historyRun{r: r, src: newSource(h.rng.Uint64(), cells+3), noise: cells > 4}
	h.runs[r.ID()] = b.run
	h.trail["begin"]++
}

// live is what happens in a run.
func (h *history) live(b *historyBench) {
	run, at := b.run, startAt
	seq := uint64(2 * run.src.n)
	switch k := h.rng.IntN(20); {
	case k < 8:
		h.commit(b)
	case k < 10:
		h.kind = "step"
		require.NoError(h.t, run.r.Urgent(seq, at, "urgent"))
		run.lines++
	case k < 13:
		h.kind = "permit"
		require.NoError(h.t, run.r.MarkEnergised(seq, at, seq, "urgent"))
		run.energised = true
		run.lines++
	case k < 15:
		h.kind = "safe"
		require.NoError(h.t, run.r.MarkSafe())
		run.energised = false
	case k < 17:
		h.kind = "trip"
		require.NoError(h.t, run.r.Trip(seq, at, "urgent", "cell_07 over 3.650 V"))
		run.lines++
		b.latched = true
		h.trail["latch"]++
	case k < 18:
		h.kind = "end"
		out := machine.OutcomeDone
		if b.latched {
			out, h.kind = machine.OutcomeTripped, "safe"
			require.NoError(h.t, run.r.MarkSafe())
		}
		run.energised, h.kind = false, "end"
		if h.ok(run.r.Finish(out, "", at)) {
			run.told = len(run.all)
			run.ended = out
			h.trail["finish"]++
			h.ended = append(h.ended, run.r.ID())
		} else {
			run.ended = out // from the reserve, without the last frames
		}
		b.run = nil
	case k < 19:
		h.kill()
	default:
		h.kind = "acknowledge"
		if b.latched && !run.energised {
			require.NoError(h.t, h.s.ClearLatch(b.name, "engineer", "seen", at))
			b.latched = false
			h.trail["acknowledge"]++
		}
	}
}

// commit records frames and makes them durable, with what the others have.
func (h *history) commit(b *historyBench) {
	run := b.run
	for range 1 + h.rng.IntN(historyChunk-4) {
		f := run.src.next()
		for i := range f.Counts {
			if run.noise {
				f.Counts[i] = int32(h.rng.Uint32()) // fills the file
			}
		}
		if errors.Is(run.r.Frame(f), ErrBehind) {
			break // the store is full
		}
		run.all = append(run.all, f.Clone())
	}
	h.kind = "piece"
	if run.r.full != nil {
		h.kind = "seal"
	}
	if h.ok(run.r.Commit()) {
		for _, other := range h.benches {
			if other.run != nil {
				other.run.told = len(other.run.all)
			}
		}
	}
}

// kill goes on with the file as a killed process leaves it.
func (h *history) kill() {
	b := h.file()
	h.o.Disk = nil
	h.s.options.Disk = nil
	require.NoError(h.t, h.s.Close())
	h.kills++
	h.path = filepath.Join(filepath.Dir(h.path), fmt.Sprint("killed", h.kills))
	require.NoError(h.t, os.WriteFile(h.path, b, 0o600))
	h.kind, h.o.Disk = "recover", h.step
	h.open()
	for _, b := range h.benches {
		if b.run == nil {
			continue
		}
		b.latched = b.latched || b.run.energised
		b.run.energised = false
		require.LessOrEqual(h.t, b.run.told, len(b.run.all))
		b.run = nil
	}
}

func (h *history) close() {
	h.kind = "close"
	require.NoError(h.t, h.s.Close())
}
