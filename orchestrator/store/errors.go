package store

import "errors"

// Errors when opening a file.
var (
	// ErrHeld: another process has the file open.
	ErrHeld = errors.New("store is held by another process")
	// ErrSchema: the file was written by a newer rigwarden.
	ErrSchema = errors.New("store has a newer schema")
	// ErrForeign: a sound database, but not a store of this program.
	ErrForeign = errors.New("not a rigwarden store")
	// ErrDamaged: the file is truncated, overwritten or half-written.
	ErrDamaged = errors.New("store is damaged")
)

// Errors when reading or writing.
var (
	// ErrFull: the disk or the file's quota has no room left; what is stored
	// stays readable, and latches and marks can still be written (INV-05).
	ErrFull = errors.New("store is full")
	// ErrNotFound: no such module, run or text.
	ErrNotFound = errors.New("not found in the store")
	// ErrExists: something different is already stored under this name.
	ErrExists = errors.New("exists already")
	// ErrReadOnly: the store was opened for reading.
	ErrReadOnly = errors.New("store is open for reading only")
	// ErrClosed: the store or recorder has been closed.
	ErrClosed = errors.New("store is closed")
	// ErrEnded: the run has ended; nothing is added to it.
	ErrEnded = errors.New("run has ended")
	// ErrRunning: the run has not ended yet.
	ErrRunning = errors.New("run has not ended")
	// ErrBehind: frames arrive faster than the disk takes them (INV-07).
	ErrBehind = errors.New("store cannot keep up")
	// ErrLatched: the bench is latched by a trip (INV-05).
	ErrLatched = errors.New("bench is latched")
	// ErrNotLatched: there is no latch to clear.
	ErrNotLatched = errors.New("bench is not latched")
	// ErrNoReason: an acknowledgement needs a name and a reason.
	ErrNoReason = errors.New("a name and a reason are needed")
	// ErrChain: the hash chain does not fit what is stored.
	ErrChain = errors.New("hash chain is broken")
	// ErrBadValue: an argument that cannot be stored.
	ErrBadValue = errors.New("cannot be stored")
)
