package store

import (
	"testing"

	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// TestTamperingBreaksTheChain: each change is made with a sound checksum, as
// somebody would who knows the format, and found all the same.
func TestTamperingBreaksTheChain(t *testing.T) {
	for name, tamper := range map[string]func(*testing.T, *bolt.Tx){
		"a count": func(t *testing.T, tx *bolt.Tx) {
			replaceChunk(t, tx, 1, func(_ *link, c *block.Columns) { c.Counts[0][17]++ })
		},
		"a count and its digest": func(t *testing.T, tx *bolt.Tx) {
			replaceChunk(t, tx, 1, func(l *link, c *block.Columns) {
				c.Counts[0][17]++
				l.frameSum = c.Digest()
			})
		},
		"a count, its digest and its hash": func(t *testing.T, tx *bolt.Tx) {
			replaceChunk(t, tx, 1, func(l *link, c *block.Columns) {
				c.Counts[0][17]++
				l.frameSum = c.Digest()
				l.hash = l.seal()
			})
		},
		"the last chunk, wholly": func(t *testing.T, tx *bolt.Tx) {
			replaceChunk(t, tx, 2, func(l *link, c *block.Columns) {
				c.Counts[0][17]++
				l.frameSum = c.Digest()
				l.hash = l.seal()
			})
		},
		"a line": func(t *testing.T, tx *bolt.Tx) {
			require.NoError(t, tx.Bucket(lineBucket).Put(key3232(1, 0), packText([]byte("1 1 nothing happened\n"))))
		},
		"the last chunk taken away": func(t *testing.T, tx *bolt.Tx) {
			require.NoError(t, tx.Bucket(chunkBucket).Delete(key3232(1, 2)))
		},
		"the plan": func(t *testing.T, tx *bolt.Tx) {
			require.NoError(t, tx.Bucket(textBucket).Put([]byte(textSum([]byte(`{"profile":"qualify"}`))), packText([]byte(`{"profile":"quick"}`))))
		},
		"the criteria": func(t *testing.T, tx *bolt.Tx) {
			var info RunInfo
			_, err := getJSON(tx.Bucket(runBucket), key32(1), &info)
			require.NoError(t, err)
			text := []byte("capacity: 30 Ah")
			info.CriteriaSum = textSum(text)
			require.NoError(t, putText(tx, text))
			require.NoError(t, putJSON(tx.Bucket(runBucket), key32(1), info))
		},
	} {
		t.Run(name, func(t *testing.T) {
			o := small()
			o.chunkFrames = 200
			s, err := Open(t.TempDir()+"/rig.db", o)
			require.NoError(t, err)
			r, err := s.Begin(demoRun(t, "bench-1", true))
			require.NoError(t, err)
			require.NoError(t, r.Line(1, startAt, "trip cell_07"))
			record(t, r, newSource(1, 7), 500)
			finish(t, r)
			require.NoError(t, s.Verify(r.ID()))
			require.NoError(t, s.update(urgent, 0, func(tx *bolt.Tx) error {
				tamper(t, tx)
				return nil
			}))
			require.ErrorIs(t, s.Verify(r.ID()), ErrChain)
			require.NoError(t, s.Close())
		})
	}
}

// replaceChunk changes a stored chunk and packs it anew.
func replaceChunk(t *testing.T, tx *bolt.Tx, no uint32, change func(*link, *block.Columns)) {
	t.Helper()
	key := key3232(1, no)
	l, frames, err := parseLink(tx.Bucket(chunkBucket).Get(key))
	require.NoError(t, err)
	var c block.Columns
	require.NoError(t, (&block.Decoder{}).Decode(frames, &c))
	change(&l, &c)
	b, err := block.NewEncoder(-1).Encode(l.append(nil), &c)
	require.NoError(t, err)
	require.NoError(t, tx.Bucket(chunkBucket).Put(key, b))
}

func TestTamperedAuditTrailIsFound(t *testing.T) {
	s, err := Open(t.TempDir()+"/rig.db", small())
	require.NoError(t, err)
	for range 300 { // over one batch
		require.NoError(t, s.SetLatch(Latch{Bench: "bench-1", Reason: "cell_07 over 3.650 V", At: startAt}))
		require.NoError(t, s.ClearLatch("bench-1", "engineer", "meter checked", startAt))
	}
	n := 0
	require.NoError(t, s.Audit(func(a Audit) error { n++; return nil }))
	require.Equal(t, 600, n)
	require.NoError(t, s.update(urgent, 0, func(tx *bolt.Tx) error {
		var a Audit
		if _, err := getJSON(tx.Bucket(auditBucket), key64(4), &a); err != nil {
			return err
		}
		a.Who = "somebody else"
		return putJSON(tx.Bucket(auditBucket), key64(4), a)
	}))
	err = s.Audit(func(Audit) error { return nil })
	require.ErrorIs(t, err, ErrChain)
	require.ErrorContains(t, err, "audit entry 4")
	require.NoError(t, s.Close())
}

func TestModulesKeepTheirHistory(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	first := Module{Serial: "KW-01", Source: "rated: 40 Ah\n", Registered: startAt, Who: "engineer"}
	require.NoError(t, s.PutModule(first))
	require.NoError(t, s.PutModule(first), "the same again")
	second := Module{Serial: "KW-01", Source: "rated: 38 Ah\n", Registered: startAt + 1, Who: "engineer"}
	require.ErrorIs(t, s.PutModule(second), ErrExists)
	require.NoError(t, s.AmendModule(second))
	require.NoError(t, s.PutModule(Module{Serial: "KW-010", Source: "rated: 40 Ah\n"}))
	first.Digest, second.Digest = textSum([]byte(first.Source)), textSum([]byte(second.Source))
	history, err := s.ModuleHistory("KW-01")
	require.NoError(t, err)
	require.Equal(t, []Module{first, second}, history)
	m, err := s.Module("KW-01")
	require.NoError(t, err)
	require.Equal(t, second, m)
	all, err := s.Modules()
	require.NoError(t, err)
	require.Len(t, all, 2)
	require.Equal(t, "KW-01", all[0].Serial)
	require.Equal(t, second, all[0])
	_, err = s.Module("KW-0")
	require.ErrorIs(t, err, ErrNotFound)
	for _, bad := range []Module{{}, {Serial: "a\x00b"}, {Serial: "KW-02", Source: "x", Digest: "y"}} {
		require.ErrorIs(t, s.PutModule(bad), ErrBadValue)
	}
}

func TestFiguresAreStoredOnce(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	f := Figures{Run: r.ID(), Verdict: "pass", Figures: []byte(`{"capacity_Ah":40.1}`), Reasons: []byte(`[]`), Digest: "d", At: startAt}
	require.ErrorIs(t, s.PutFigures(f), ErrRunning)
	finish(t, r)
	_, err = s.Figures(r.ID())
	require.ErrorIs(t, err, ErrNotFound)
	require.NoError(t, s.PutFigures(f))
	f.Figures = []byte("{ \"capacity_Ah\": 40.1 }\n")
	require.NoError(t, s.PutFigures(f), "the same again")
	other := f
	other.Verdict = "fail"
	require.ErrorIs(t, s.PutFigures(other), ErrExists)
	got, err := s.Figures(r.ID())
	require.NoError(t, err)
	require.JSONEq(t, `{"capacity_Ah":40.1}`, string(got.Figures))
	info, err := s.Run(r.ID())
	require.NoError(t, err)
	require.Equal(t, "pass", info.Verdict)
	require.ErrorIs(t, s.PutFigures(Figures{Run: "r000099", Verdict: "pass"}), ErrNotFound)
	require.ErrorIs(t, s.PutFigures(Figures{Run: "seventeen", Verdict: "pass"}), ErrNotFound)
	require.NoError(t, s.Verify(r.ID()))
}

func TestRunsAreFiltered(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	var open *Recorder
	for i, bench := range []string{"a", "b", "a", "a"} {
		r, err := s.Begin(demoRun(t, bench, false))
		require.NoError(t, err)
		if i < 3 {
			finish(t, r)
		} else {
			open = r
		}
	}
	_, err := s.Begin(demoRun(t, "a", false))
	require.ErrorIs(t, err, ErrRunning)
	ids := func(f RunFilter) (list []string) {
		runs, err := s.Runs(f)
		require.NoError(t, err)
		for _, r := range runs {
			list = append(list, r.ID)
		}
		return list
	}
	require.Equal(t, []string{"r000001", "r000002", "r000003", "r000004"}, ids(RunFilter{}))
	require.Equal(t, []string{"r000001", "r000003", "r000004"}, ids(RunFilter{Bench: "a"}))
	require.Equal(t, []string{"r000003", "r000004"}, ids(RunFilter{Bench: "a", Limit: 2}))
	require.Equal(t, []string{"r000004"}, ids(RunFilter{Open: true}))
	require.Empty(t, ids(RunFilter{Module: "KW-02"}))
	for _, id := range []string{"", "r17", "r0000017", "17", "r000099", "r-00001"} {
		_, err := s.Run(id)
		require.ErrorIs(t, err, ErrNotFound, id)
	}
	require.NoError(t, open.Finish("stopped", "by the engineer", drivers.Instant(0)))
}

// A missing entry breaks the trail where it is missing, and a reader that follows
// it by itself gets every entry that is left, once.
func TestTrailWithAnEntryTakenOut(t *testing.T) {
	s, err := Open(t.TempDir()+"/rig.db", small())
	require.NoError(t, err)
	for range 300 {
		require.NoError(t, s.SetLatch(Latch{Bench: "bench-1", Reason: "cell_07 over 3.650 V", At: startAt}))
		require.NoError(t, s.ClearLatch("bench-1", "engineer", "meter checked", startAt))
	}
	require.NoError(t, s.update(urgent, 0, func(tx *bolt.Tx) error { return tx.Bucket(auditBucket).Delete(key64(4)) }))
	require.ErrorContains(t, s.Audit(func(Audit) error { return nil }), "audit entry 5: hash chain is broken")
	seen := map[uint64]int{}
	require.NoError(t, s.Trail(func(a Audit) error { seen[a.Number]++; return nil }))
	require.Len(t, seen, 599)
	for number, times := range seen {
		require.Equal(t, 1, times, "entry %d", number)
	}
	require.NoError(t, s.Close())
}

// A reader with nothing but what Chain hands out comes to the same head as the
// store, and stops at the chunk that was changed.
func TestFollowerNeedsNoStore(t *testing.T) {
	o := small()
	o.chunkFrames = 200
	s, err := Open(t.TempDir()+"/rig.db", o)
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", true))
	require.NoError(t, err)
	record(t, r, newSource(1, 7), 500)
	finish(t, r)
	info, err := s.Run(r.ID())
	require.NoError(t, err)
	var chain []Sealed
	require.NoError(t, s.Chain(r.ID(), func(c Sealed) error { chain = append(chain, c); return nil }))
	require.Len(t, chain, 3)
	require.NoError(t, s.Close())

	f := Follow(info)
	for _, c := range chain {
		require.NoError(t, f.Add(c))
	}
	require.NoError(t, f.End())
	require.Equal(t, info.Head, f.Head())
	require.Equal(t, uint64(500), f.Frames())

	f = Follow(info)
	require.NoError(t, f.Add(chain[0]))
	require.ErrorContains(t, f.End(), "hash chain is broken", "the end is missing")
	require.ErrorIs(t, f.Add(chain[2]), ErrChain, "a chunk is missing")
	info.Who = "somebody else"
	require.ErrorIs(t, Follow(info).Add(chain[0]), ErrChain, "the beginning was changed")
}

// The audit trail keeps the digest of what the judge handed back.
func TestAuditKeepsTheDigestOfTheFigures(t *testing.T) {
	s, err := Open(t.TempDir()+"/rig.db", small())
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", true))
	require.NoError(t, err)
	finish(t, r)
	f := Figures{Run: r.ID(), Verdict: "conditional pass", Figures: []byte(`{ "capacity": 39.66 }`), Reasons: []byte(`{}`), Digest: textSum([]byte("data"))}
	require.NoError(t, s.PutFigures(f))
	var last Audit
	require.NoError(t, s.Audit(func(a Audit) error { last = a; return nil }))
	require.Equal(t, "conditional pass "+f.Digest+" "+f.Sum(), last.Text)
	got, err := s.Figures(r.ID())
	require.NoError(t, err)
	require.Equal(t, f.Sum(), got.Sum(), "white space does not count")
	got.Figures = []byte(`{"capacity":39.67}`)
	require.NotEqual(t, f.Sum(), got.Sum())
	require.NoError(t, s.Close())
}
