package store

import (
	"errors"
	"fmt"
	"os"
	"syscall"

	bolt "go.etcd.io/bbolt"
)

// Space. The file's blocks are allocated on disk before they are needed, and
// the last Reserve bytes of them are kept from routine commits: bbolt asks for
// pages first from those freed earlier, then from the end of the file, and
// refuses to pass DB.MaxSize. Routine commits get a MaxSize that ends before the
// reserve, urgent ones the whole file. So neither a full disk nor a full quota
// can lose a mark, a trip or an acknowledgement (INV-05); on a file system that
// writes every change to new blocks (copy on write) only the quota can promise
// that.

const (
	// firstRoom is what a new file has beside its reserve.
	firstRoom = 256 << 10
	// A file grows by an eighth of its size, within these bounds.
	leastGrowth = 1 << 20
	mostGrowth  = 64 << 20
)

// space is the file's allocation. Its methods are called by one writer at a time.
type space struct {
	file      *os.File
	db        *bolt.DB
	quota     int64
	reserve   int64
	allocated int64
	// extend allocates the file's blocks from one size to another.
	extend func(file *os.File, from, to int64) error
	// beneath is asked before that.
	beneath func(DiskStep) error
}

func (p *space) init(file *os.File, db *bolt.DB, o Options) {
	p.file, p.db, p.quota, p.reserve = file, db, o.Quota, o.Reserve
	p.extend = extend
	if o.extend != nil {
		p.extend = o.extend
	}
	p.beneath = o.beneath
	db.AllocSize = 0 // growth is ours; MaxSize then is exact
}

// limit is bbolt's MaxSize for a transaction.
func (p *space) limit(u urgency) int {
	if u == urgent {
		return int(p.allocated)
	}
	return int(max(p.allocated-p.reserve, 1))
}

// secure allocates the reserve and some room after the pages in use.
func (p *space) secure() error {
	info, err := p.file.Stat()
	if err != nil {
		return err
	}
	p.allocated = info.Size()
	used, err := p.used()
	if err != nil {
		return err
	}
	want := used + p.reserve + firstRoom
	if want <= p.allocated {
		// The tail may be a hole, in a copy for instance.
		return p.take(used, p.allocated)
	}
	return p.take(used, min(want, max(p.quota, p.allocated)))
}

// ensure makes sure that a routine transaction that stores so many bytes leaves
// the reserve alone, in free pages or at the file's end: urgent ones may have
// used up the end, and live on free pages since.
func (p *space) ensure(bytes int) error {
	for {
		used, err := p.used()
		if err != nil {
			return err
		}
		stats := p.db.Stats()
		free := int64(stats.FreePageN+stats.PendingPageN) * int64(p.db.Info().PageSize)
		if p.allocated-used+free >= p.reserve+overhead+2*int64(bytes) {
			return nil
		}
		if err := p.grow(); err != nil {
			return err
		}
	}
}

// overhead is what a transaction may take beside what it stores: copies of the
// pages on the way there, and the free list.
const overhead = 96 << 10

// grow makes the file larger, within its quota.
func (p *space) grow() error {
	step := min(max(p.allocated/8, leastGrowth), mostGrowth)
	next := min(p.allocated+step, p.quota)
	if next <= p.allocated {
		return fmt.Errorf("%w: quota of %d bytes used up; prune runs or raise the quota", ErrFull, p.quota)
	}
	return p.take(p.allocated, next)
}

func (p *space) take(from, to int64) error {
	err := p.beneath(DiskGrow)
	if err == nil {
		err = p.extend(p.file, from, to)
	}
	if err != nil {
		if isNoSpace(err) {
			return fmt.Errorf("%w: no room for %d more bytes: %w", ErrFull, to-from, err)
		}
		return fmt.Errorf("allocate %d bytes: %w", to-from, err)
	}
	p.allocated = to
	return nil
}

// used is the size up to the last page in use.
func (p *space) used() (size int64, err error) {
	err = p.db.View(func(tx *bolt.Tx) error {
		size = tx.Size()
		return nil
	})
	return size, err
}

// isNoSpace recognises a full disk and a full user's quota.
func isNoSpace(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// writeZeros allocates by writing, where the system has no better way. Nothing
// in use lies there: bbolt's pages end before from.
func writeZeros(file *os.File, from, to int64) error {
	zeros := make([]byte, 64<<10)
	for at := from; at < to; {
		n := min(int64(len(zeros)), to-at)
		if _, err := file.WriteAt(zeros[:n], at); err != nil {
			return err
		}
		at += n
	}
	return file.Sync()
}

// Size tells how full the file is.
func (s *Store) Size() (Size, error) {
	size := Size{Quota: s.options.Quota, Reserve: s.options.Reserve}
	info, err := os.Stat(s.path)
	if err != nil {
		return Size{}, err
	}
	size.File = info.Size()
	err = s.view(func(tx *bolt.Tx) error {
		free := int64(s.db.Stats().FreePageN+s.db.Stats().PendingPageN) * int64(s.db.Info().PageSize)
		size.Used = tx.Size() - free
		return nil
	})
	return size, err
}
