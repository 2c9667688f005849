package store

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	bolt "go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"github.com/rigwarden/rigwarden/drivers"
)

// Store is one open file. Its methods may be called from any goroutine.
type Store struct {
	path    string
	options Options
	db      *bolt.DB
	space   space

	recovered []Recovery

	// writing serialises writers, so that each can set how far the file may grow.
	writing sync.Mutex
	commits committer

	mu        sync.Mutex
	recorders map[uint32]*Recorder
	closed    bool
}

const (
	defaultTimeout     = time.Second
	defaultQuota       = 16 << 30
	defaultReserve     = 512 << 10
	leastReserve       = 128 << 10
	defaultCommitEvery = 500 * time.Millisecond
)

func (o Options) withDefaults() (Options, error) {
	if o.Timeout == 0 {
		o.Timeout = defaultTimeout
	}
	if o.Quota == 0 {
		o.Quota = defaultQuota
	}
	if o.Reserve == 0 {
		o.Reserve = defaultReserve
	}
	if o.CommitEvery == 0 {
		o.CommitEvery = defaultCommitEvery
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Reserve < leastReserve || o.Quota < o.Reserve+firstRoom {
		return o, fmt.Errorf("%w: a quota of %d bytes with %d in reserve; at least %d in reserve and %d more", ErrBadValue, o.Quota, o.Reserve, leastReserve, firstRoom)
	}
	return o, nil
}

// Open opens or creates the store at path. Opening for writing also recovers:
// runs without a clean end are marked interrupted, left-over pieces are sealed,
// and a bench with an open energised mark is latched (INV-05). A file that
// cannot be opened is left as it is.
func Open(path string, o Options) (*Store, error) {
	s, err := open(path, o)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	return s, nil
}

func open(path string, o Options) (*Store, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	// A look through a read-only handle first: whatever is wrong with the file is
	// found before anything could change it.
	fresh, err := look(path, o)
	if err == nil && fresh && o.ReadOnly {
		err = fmt.Errorf("%w: nothing was ever stored in it", ErrForeign)
	}
	if err != nil {
		return nil, err
	}
	if fresh {
		create(path, !o.NoSync)
	}
	s := &Store{path: path, options: o, recorders: map[uint32]*Recorder{}}
	s.commits.init(o.CommitEvery)
	if err := s.openFile(); err != nil {
		return nil, err
	}
	if err := s.begin(fresh); err != nil {
		return nil, errors.Join(err, s.db.Close())
	}
	if !o.ReadOnly {
		s.commits.start(s)
	}
	return s, nil
}

// openFile opens the database proper.
func (s *Store) openFile() (err error) {
	var file *os.File
	options := boltOptions(s.options)
	options.OpenFile = func(name string, flag int, mode os.FileMode) (*os.File, error) {
		f, err := os.OpenFile(name, flag, mode)
		file = f
		return f, err
	}
	defer func() {
		if r := recover(); r != nil {
			_ = file.Close() // lets go of the lock, too
			err = fmt.Errorf("%w: %v", ErrDamaged, r)
		}
	}()
	s.db, err = bolt.Open(s.path, 0o600, options)
	if err != nil {
		return openError(err)
	}
	s.space.init(file, s.db, s.options)
	return nil
}

func boltOptions(o Options) *bolt.Options {
	pages := bolt.FreelistMapType
	if o.Orderly {
		pages = bolt.FreelistArrayType
	}
	return &bolt.Options{
		ReadOnly: o.ReadOnly,
		Timeout:  o.Timeout,
		NoSync:   o.NoSync,
		// A map larger than the file can grow: remapping waits for every reader.
		InitialMmapSize: int(min(o.Quota+o.Quota/8, maxMap)),
		FreelistType:    pages,
	}
}

// maxMap keeps the map inside what every 64-bit system gives a process.
const maxMap = 1 << 40

// openError gives bbolt's errors our names.
func openError(err error) error {
	switch {
	case errors.Is(err, berrors.ErrTimeout):
		return fmt.Errorf("%w; stop it, or ask it instead of the file (--server)", ErrHeld)
	case errors.Is(err, berrors.ErrInvalid), errors.Is(err, berrors.ErrChecksum), errors.Is(err, berrors.ErrVersionMismatch):
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return err
}

// begin brings an opened file into working order.
func (s *Store) begin(fresh bool) error {
	if s.options.ReadOnly {
		return nil
	}
	if err := s.view(func(tx *bolt.Tx) error {
		empty, err := checkSchema(tx)
		fresh = fresh || empty
		return err
	}); err != nil {
		return err
	}
	if err := s.space.secure(); err != nil && fresh {
		return err // an old store is opened even on a full disk, to be read
	}
	if fresh {
		if err := s.update(routine, 0, initialise); err != nil {
			return err
		}
	}
	return s.recover()
}

// Close ends the store; recorders that were not finished stay unfinished, and
// the next Open marks their runs interrupted.
func (s *Store) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	s.mu.Unlock()
	s.commits.stop()
	if err := s.db.Close(); err != nil {
		return fmt.Errorf("store %s: %w", s.path, err)
	}
	return nil
}

// Recovered tells what Open found of runs without a clean end.
func (s *Store) Recovered() []Recovery { return s.recovered }

// Path is the file's path.
func (s *Store) Path() string { return s.path }

// urgency says which part of the file a transaction may use.
type urgency int

const (
	routine urgency = iota // leaves the reserve alone
	urgent                 // may use it up (INV-05)
)

// update runs fn, which stores about so many bytes, in a write transaction,
// letting the file grow as far as the urgency allows. fn may run more than once.
func (s *Store) update(u urgency, bytes int, fn func(*bolt.Tx) error) error {
	if s.options.ReadOnly {
		return ErrReadOnly
	}
	if err := s.options.beneath(DiskBegin); err != nil {
		return writeError(err)
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	if u == routine {
		if err := s.space.ensure(bytes); err != nil {
			return writeError(err)
		}
	}
	for {
		s.db.MaxSize = s.space.limit(u)
		err := guarded(func() error { return s.db.Update(s.written(fn)) })
		if err == nil {
			err = s.options.beneath(DiskWritten)
		}
		if !errors.Is(err, berrors.ErrMaxSizeReached) {
			return writeError(err)
		}
		if err := s.space.grow(); err != nil {
			return err
		}
	}
}

// written adds to fn the disk's word before anything of it is written.
func (s *Store) written(fn func(*bolt.Tx) error) func(*bolt.Tx) error {
	if s.options.Disk == nil {
		return fn
	}
	return func(tx *bolt.Tx) error {
		if err := fn(tx); err != nil {
			return err
		}
		return s.options.beneath(DiskWrite)
	}
}

// view runs fn in a read transaction.
func (s *Store) view(fn func(*bolt.Tx) error) error {
	return writeError(guarded(func() error { return s.db.View(fn) }))
}

// guarded turns the panic with which bbolt meets a damaged page into an error.
func guarded(fn func() error) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%w: %v", ErrDamaged, r)
		}
	}()
	return fn()
}

// writeError gives bbolt's and the system's errors our names.
func writeError(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, berrors.ErrDatabaseNotOpen):
		return ErrClosed
	case isNoSpace(err):
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}

// now is the wall clock's instant.
func (s *Store) now() drivers.Instant { return drivers.Instant(s.options.Now().UnixMicro()) }
