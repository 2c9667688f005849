package store

import (
	"bytes"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"
)

// crash copies the file as a process killed now would leave it, and returns the
// copy's path.
func crash(t testing.TB, s *Store) string {
	t.Helper()
	b, err := os.ReadFile(s.Path())
	require.NoError(t, err)
	path := tempPath(t)
	require.NoError(t, os.WriteFile(path, b, 0o600))
	return path
}

// aStore makes a closed store with one finished run and returns its bytes.
func aStore(t testing.TB) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "rig.db")
	s, err := Open(path, small())
	require.NoError(t, err)
	require.NoError(t, s.PutModule(Module{Serial: "KW-01", Source: "serial: KW-01\n", Who: "engineer"}))
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	record(t, r, newSource(2, 7), 500)
	require.NoError(t, r.Line(1, startAt, "start"))
	finish(t, r)
	require.NoError(t, s.Close())
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return b
}

// refused opens b as a file, for writing and for reading, and demands the error
// and that the file is left as it was.
func refused(t *testing.T, b []byte, want error, says string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "rig.db")
	require.NoError(t, os.WriteFile(path, b, 0o600))
	for _, o := range []Options{small(), {ReadOnly: true}} {
		s, err := Open(path, o)
		if err == nil {
			_ = s.Close()
		}
		require.ErrorIs(t, err, want)
		require.ErrorContains(t, err, path)
		require.ErrorContains(t, err, says)
		now, err := os.ReadFile(path)
		require.NoError(t, err)
		require.True(t, bytes.Equal(b, now), "the file was changed")
	}
}

func TestHeldFileIsNamed(t *testing.T) {
	path := tempPath(t)
	s := openStore(t, path, small())
	for _, o := range []Options{{Timeout: time.Millisecond}, {Timeout: time.Millisecond, ReadOnly: true}} {
		_, err := Open(path, o)
		require.ErrorIs(t, err, ErrHeld)
		require.ErrorContains(t, err, path)
		require.ErrorContains(t, err, "--server")
	}
	require.NoError(t, s.Close())
	reader := openStore(t, path, Options{ReadOnly: true})
	second := openStore(t, path, Options{ReadOnly: true}) // readers share
	require.NotEqual(t, reader, second)
	_, err := Open(path, Options{Timeout: time.Millisecond})
	require.ErrorIs(t, err, ErrHeld)
}

func TestNewerSchemaIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "new.db")
	require.NoError(t, os.WriteFile(path, aStore(t), 0o600))
	db, err := bolt.Open(path, 0o600, nil)
	require.NoError(t, err)
	require.NoError(t, db.Update(func(tx *bolt.Tx) error { return tx.Bucket(metaBucket).Put(schemaKey, []byte("2")) }))
	require.NoError(t, db.Close())
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	refused(t, b, ErrSchema, "2, this program knows up to 1")
}

func TestForeignFilesAreRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "other.db")
	db, err := bolt.Open(path, 0o600, &bolt.Options{NoFreelistSync: true})
	require.NoError(t, err)
	require.NoError(t, db.Update(func(tx *bolt.Tx) error {
		_, err := tx.CreateBucket([]byte("somebody else's"))
		return err
	}))
	require.NoError(t, db.Close())
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	refused(t, b, ErrForeign, "not a rigwarden store")

	_, err = Open(t.TempDir(), small())
	require.ErrorIs(t, err, ErrForeign)
	_, err = Open(filepath.Join(t.TempDir(), "absent.db"), Options{ReadOnly: true})
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestGarbageIsRefused(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, n := range []int{1, 100, 4096, 16384, 100_000} {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.Uint32())
		}
		refused(t, b, ErrDamaged, "neither of its header pages is sound")
	}
}

// What a process leaves that is killed while it makes the store: a reader is told
// that nothing is in it, and the next one that writes makes it whole.
func TestStoreThatWasNeverFinishedIsMade(t *testing.T) {
	for name, leave := range map[string]func(path string){
		"no byte": func(path string) { require.NoError(t, os.WriteFile(path, nil, 0o600)) },
		"no bucket": func(path string) {
			db, err := bolt.Open(path, 0o600, nil)
			require.NoError(t, err)
			require.NoError(t, db.Close())
		},
	} {
		path := filepath.Join(t.TempDir(), "rig.db")
		leave(path)
		_, err := Open(path, Options{ReadOnly: true})
		require.ErrorIs(t, err, ErrForeign, name)
		require.ErrorContains(t, err, "nothing was ever stored in it", name)
		s, err := Open(path, small())
		require.NoError(t, err, name)
		require.NoError(t, s.PutModule(Module{Serial: "KW-01", Source: "serial: KW-01\n"}))
		require.NoError(t, s.Close())
		checkFile(t, path)
	}
}

// INV-14: the store appears whole. What a power cut leaves of its making lies
// beside it, in nobody's way, and a store that is there is not made anew.
func TestINV14StoreIsMadeWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "rig.db")
	require.NoError(t, os.WriteFile(path+".new", make([]byte, 5000), 0o600))
	create(path, true)
	made, err := os.ReadFile(path)
	require.NoError(t, err)
	_, _, sound := parseMeta(made[metaAt : metaAt+metaSize])
	require.True(t, sound)
	require.NoFileExists(t, path+".new")
	s, err := Open(path, small())
	require.NoError(t, err)
	require.NoError(t, s.PutModule(Module{Serial: "KW-01", Source: "serial: KW-01\n"}))
	require.NoError(t, s.Close())
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	create(path, true)
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)
	require.NoFileExists(t, path+".new")
}

func TestTruncatedFileIsRefused(t *testing.T) {
	b := aStore(t)
	end, _, sound := parseMeta(b[metaAt : metaAt+metaSize])
	require.True(t, sound)
	other, _, sound := parseMeta(b[os.Getpagesize()+metaAt : os.Getpagesize()+metaAt+metaSize])
	require.True(t, sound)
	end = min(end, other)
	for _, n := range []int64{end - 1, end - 4096, end / 2, 3 * 4096} {
		refused(t, b[:n], ErrDamaged, "truncated")
	}
	refused(t, b[:50], ErrDamaged, "neither of its header pages is sound")
}

// TestHalfWrittenFile: pages lost in the middle of a file are an error wherever
// they are met, never a panic, and opening changes nothing.
func TestHalfWrittenFile(t *testing.T) {
	b := aStore(t)
	page := os.Getpagesize()
	for at := 2 * page; at < len(b); at += page {
		torn := append([]byte(nil), b...)
		lost := torn[at : at+page]
		if bytes.Count(lost, []byte{0}) == page {
			continue
		}
		for i := range lost {
			lost[i] = 0xA5
		}
		path := filepath.Join(t.TempDir(), "torn.db")
		require.NoError(t, os.WriteFile(path, torn, 0o600))
		s, err := Open(path, Options{ReadOnly: true})
		if err != nil {
			require.ErrorIs(t, err, ErrDamaged, "page %d", at/page)
			refused(t, torn, ErrDamaged, "damaged")
			continue
		}
		if err := s.Check(); err != nil {
			require.True(t, isOurs(err), "page %d: %v", at/page, err)
		}
		require.NoError(t, s.Close())
		now, err := os.ReadFile(path)
		require.NoError(t, err)
		require.True(t, bytes.Equal(torn, now))
		if s, err = Open(path, small()); err != nil {
			require.ErrorIs(t, err, ErrDamaged, "page %d", at/page)
			continue
		}
		_, err = s.Runs(RunFilter{})
		require.True(t, err == nil || isOurs(err), "page %d: %v", at/page, err)
		require.NoError(t, s.Close())
	}
}

func TestEmptyFileBecomesAStore(t *testing.T) {
	path := tempPath(t)
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	s := openStore(t, path, small())
	require.Empty(t, s.Recovered())
}

func TestReadingChangesNothing(t *testing.T) {
	b := aStore(t)
	path := tempPath(t)
	require.NoError(t, os.WriteFile(path, b, 0o600))
	s, err := Open(path, Options{ReadOnly: true})
	require.NoError(t, err)
	_, err = s.Begin(demoRun(t, "bench-1", false))
	require.ErrorIs(t, err, ErrReadOnly)
	require.ErrorIs(t, s.PutModule(Module{Serial: "KW-02"}), ErrReadOnly)
	require.ErrorIs(t, s.SetLatch(Latch{Bench: "bench-1"}), ErrReadOnly)
	require.Len(t, frames(t, s, "r000001"), 500)
	require.NoError(t, s.Close())
	now, err := os.ReadFile(path)
	require.NoError(t, err)
	require.True(t, bytes.Equal(b, now))
}

func TestClosedStoreSaysSo(t *testing.T) {
	s, err := Open(tempPath(t), small())
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	want := record(t, r, newSource(1, 7), 3)
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	require.NoError(t, r.Commit(), "closing stored what there was")
	require.NoError(t, r.Frame(want[2]))
	require.ErrorIs(t, r.Commit(), ErrClosed)
	_, err = s.Runs(RunFilter{})
	require.ErrorIs(t, err, ErrClosed)
	_, err = s.Begin(demoRun(t, "bench-2", false))
	require.ErrorIs(t, err, ErrClosed)
	again, err := Open(s.Path(), Options{NoSync: true})
	require.NoError(t, err)
	require.Equal(t, want, frames(t, again, r.ID()))
	require.NoError(t, again.Close())
}
