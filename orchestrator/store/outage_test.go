package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/maphash"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// fromEnv is a number that a long test may be given.
func fromEnv(t testing.TB, name string, otherwise int) int {
	t.Helper()
	v := os.Getenv(name)
	if v == "" {
		return otherwise
	}
	n, err := strconv.Atoi(v)
	require.NoError(t, err, name)
	return n
}

// outage judges what images of crashes open as.
type outage struct {
	t      testing.TB
	seed   uint64
	rng    *rand.Rand
	dir    string
	drawn  int // images drawn of one write
	most   int // of one write of which every image is made
	every  int // one write among so many is such a one
	images int
	kinds  map[string]int // images of each kind of write
	class  map[string]int // and of each class
	hash   maphash.Seed
	tight  bool // the history's file fills up
	// The latest file, and the digest of what is in it.
	file  []byte
	after uint64
}

// TestINV14CrashImages: whatever a power cut leaves of a write, of any kind, the
// store opens, is sound, and holds all that was acknowledged: it is as before the
// write or as after it. RIGWARDEN_IMAGES says how many images, RIGWARDEN_SEED
// which history comes first. INV-05: no latch is lost among them.
func TestINV14CrashImages(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine after the other, long under the race detector; runs without -short")
	}
	want := fromEnv(t, "RIGWARDEN_IMAGES", 600)
	first := uint64(fromEnv(t, "RIGWARDEN_SEED", 1))
	c := &outage{t: halting{t}, drawn: 1, most: 80, every: 16, kinds: map[string]int{}, class: map[string]int{}, hash: maphash.MakeSeed(), dir: t.TempDir()}
	if want > 10_000 {
		c.drawn, c.most, c.every = 16, 1<<10, 4
	}
	// Three histories at least: one fills its file.
	for c.seed = first; c.images < want || c.seed < first+3; c.seed++ {
		c.history(t)
	}
	t.Logf("%d images, histories of seeds %d to %d", c.images, first, c.seed-1)
	for _, kinds := range []map[string]int{c.kinds, c.class} {
		for _, k := range slices.Sorted(maps.Keys(kinds)) {
			t.Logf("%7d  %s", kinds[k], k)
		}
	}
	for _, kind := range []string{
		"create", "register", "amend", "first check", "begin", "piece", "seal", "growth", "step", "permit", "safe",
		"trip", "latch", "acknowledge", "end", "judge", "recover", "full",
	} {
		require.NotZero(t, c.kinds[kind], "no image of: %s", kind)
	}
}

// history makes images of one history's writes: every third in a file that fills
// up, where what is urgent lives on the reserve (INV-05).
func (c *outage) history(t *testing.T) {
	c.rng = rand.New(rand.NewPCG(c.seed, 15))
	quota := int64(256 << 20)
	if c.tight = c.seed%3 == 2; c.tight {
		quota = 460 << 10
	}
	h := newHistory(t, c.seed, quota, c.write)
	for range 56 {
		h.act()
	}
	h.close()
}

// write judges the images of one write.
func (c *outage) write(h *history, w *diskWrite) {
	if bytes.Equal(w.before, w.after) {
		return
	}
	require.Len(c.t, w.headers, 1, "seed %d: a write of kind %s", c.seed, w.kind)
	before := c.after
	if !bytes.Equal(w.before, c.file) {
		before = c.sound(h, w.before)
	}
	after := c.sound(h, w.after)
	c.file, c.after = w.after, after
	if w.kind == "recover" {
		require.Equal(c.t, before, after, "seed %d: what is recovered depends on where recovering was cut short", c.seed)
	}
	from := c.images
	judge := func(m image) {
		c.images++
		c.class[m.class]++
		c.judge(h, w, m, before, after)
	}
	for _, m := range w.corners() {
		judge(m)
	}
	if c.rng.IntN(c.every) > 0 || !w.exhaust(c.most, judge) {
		for range c.drawn {
			judge(w.draw(c.rng))
		}
	}
	n := c.images - from
	c.kinds[w.kind] += n
	if len(w.after) > len(w.before) && len(w.before) > 4*os.Getpagesize() {
		c.kinds["growth"] += n
	}
	if int64(len(w.after)) == h.o.Quota {
		c.kinds["full"] += n
	}
}

// judge opens an image, as a start after the power cut does.
func (c *outage) judge(h *history, w *diskWrite, m image, before, after uint64) {
	what := fmt.Sprintf("seed %d, write of kind %s, image %d: %s", c.seed, w.kind, c.images, m.class)
	s, err := Open(c.put(m.file), historyOptions(h.o.Quota))
	require.NoError(c.t, err, what)
	print, err := c.print(s)
	require.NoError(c.t, err, what)
	if m.whole {
		require.Equal(c.t, after, print, "%s: the write is lost", what)
	} else {
		require.Equal(c.t, before, print, "%s: it is not as before the write", what)
	}
	// What is stored is checked with the whole files; here, where it lies.
	require.NoError(c.t, s.checkPages(), what)
	require.NoError(c.t, s.Close(), what)
}

func (c *outage) put(b []byte) (path string) {
	path = filepath.Join(c.dir, "image")
	require.NoError(c.t, os.WriteFile(path, b, 0o600))
	return path
}

// sound opens a file that is not torn, checks it, and holds it against what was
// acknowledged. It returns the digest of what is in it.
func (c *outage) sound(h *history, file []byte) uint64 {
	if len(file) == 0 {
		return 0
	}
	what := fmt.Sprintf("seed %d, write of kind %s, the whole file", c.seed, h.kind)
	s, err := Open(c.put(file), historyOptions(h.o.Quota))
	require.NoError(c.t, err, what)
	print, err := c.print(s)
	require.NoError(c.t, err, what)
	require.NoError(c.t, s.Check(), what)
	c.runs(h, s, what)
	c.latched(h, s, what)
	modules, err := s.Modules()
	require.NoError(c.t, err, what)
	require.GreaterOrEqual(c.t, len(modules), h.modules, what)
	trail := map[string]int{}
	require.NoError(c.t, s.Audit(func(a Audit) error { trail[a.What]++; return nil }), what)
	for entry, n := range h.trail {
		require.GreaterOrEqual(c.t, trail[entry], n, "%s: an entry of the audit trail is lost: %s", what, entry)
	}
	for _, id := range h.judged {
		f, err := s.Figures(id)
		require.NoError(c.t, err, "%s: the figures of %s", what, id)
		require.Equal(c.t, "pass", f.Verdict, what)
	}
	require.NoError(c.t, s.Close(), what)
	return print
}

// runs demands every acknowledged frame and urgent line, each frame as it was
// given, and of a run without an end that it is marked interrupted with its last
// good frame.
func (c *outage) runs(h *history, s *Store, what string) {
	for id, run := range h.runs {
		info, err := s.Run(id)
		require.NoError(c.t, err, what)
		n := 0
		require.NoError(c.t, s.Frames(id, 0, 0, func(f *drivers.Frame) error {
			require.Less(c.t, n, len(run.all), "%s: frame %d of %s was never given", what, f.Seq, id)
			require.Equal(c.t, run.all[n], f, what)
			n++
			return nil
		}), what)
		require.GreaterOrEqual(c.t, n, run.told, "%s: acknowledged frames of %s are lost", what, id)
		require.Equal(c.t, uint64(n), info.Frames, what)
		if n > 0 {
			require.Equal(c.t, run.all[n-1].At, info.LastFrame, what)
		}
		urgent := 0
		require.NoError(c.t, s.Events(id, 0, func(e Event) error {
			if e.Line == "urgent" {
				urgent++
			}
			return nil
		}), what)
		require.GreaterOrEqual(c.t, urgent, run.lines, "%s: acknowledged lines of %s are lost", what, id)
		require.LessOrEqual(c.t, urgent, run.lines+1, "%s: a line of %s came twice", what, id)
		if run.ended == "" && h.now != nil && h.now.run == run && h.kind == "end" {
			continue // ending
		}
		want := run.ended
		if want == "" {
			want = machine.OutcomeInterrupted
		}
		require.Equal(c.t, want, info.Outcome, "%s: run %s", what, id)
	}
}

// latched demands that no latch is lost, and none comes from nowhere.
func (c *outage) latched(h *history, s *Store, what string) {
	for _, b := range h.benches {
		_, latched, err := s.Latch(b.name)
		require.NoError(c.t, err, what)
		if b == h.now && slices.Contains([]string{"acknowledge", "safe", "permit", "trip", "latch", "end"}, h.kind) {
			continue // being changed
		}
		want := b.latched || b.run != nil && b.run.energised
		require.Equal(c.t, want, latched, "%s: the latch of %s", what, b.name)
	}
}

// ofRuns are the buckets whose content depends on whether there was room to seal
// what a run left behind.
var ofRuns = [][]byte{runBucket, openBucket, chunkBucket, lineBucket, binBucket, pieceBucket, urgentBucket}

// print is a digest of everything in the store: byte by byte, or where a file is
// full, as a reader finds it, since whether there is room to seal what was left
// turns on the order in which pages are taken.
func (c *outage) print(s *Store) (uint64, error) {
	var h maphash.Hash
	h.SetSeed(c.hash)
	write := func(b []byte) {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(b))))
		h.Write(b)
	}
	err := s.view(func(tx *bolt.Tx) error {
		return tx.ForEach(func(name []byte, b *bolt.Bucket) error {
			if c.tight && slices.ContainsFunc(ofRuns, func(n []byte) bool { return bytes.Equal(n, name) }) {
				return nil
			}
			write(name)
			write(binary.BigEndian.AppendUint64(nil, b.Sequence()))
			return b.ForEach(func(k, v []byte) error {
				write(k)
				write(v)
				return nil
			})
		})
	})
	if err != nil || !c.tight {
		return h.Sum64(), err
	}
	runs, err := s.Runs(RunFilter{})
	errs := []error{err}
	number := func(n int64) { h.Write(binary.BigEndian.AppendUint64(nil, uint64(n))) }
	for _, r := range runs {
		r.Head = ""
		text, err := json.Marshal(r)
		write(text)
		errs = append(errs, err,
			s.Frames(r.ID, 0, 0, func(f *drivers.Frame) error {
				number(int64(f.At))
				number(int64(f.Seq))
				for _, n := range f.Counts {
					number(int64(n))
				}
				return nil
			}),
			s.Events(r.ID, 0, func(e Event) error {
				number(int64(e.Seq))
				number(int64(e.At))
				write([]byte(e.Line))
				return nil
			}))
	}
	return h.Sum64(), errors.Join(errs...)
}
