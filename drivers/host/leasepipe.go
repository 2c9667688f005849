package host

import (
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"

	"github.com/rigwarden/rigwarden/drivers"
)

// errPipeFull: the child does not read its lease records.
var errPipeFull = errors.New("lease pipe is full")

// backlogMax is how many unread records there may be before renewals are held
// back: a child that does not read them gains nothing by more, and the room
// left in the pipe is for halts.
const backlogMax = 64

// leasePipe writes records to a child's standard input. It never waits, and
// allocates nothing.
type leasePipe struct {
	mu    sync.Mutex
	write func([]byte) error
	buf   [RecordSize]byte
	sent  atomic.Uint64 // records written
	read  atomic.Uint64 // records that the child says it obeyed
	// halted and halting are the latest halt's epoch and its place among the
	// records.
	halted, halting uint64
}

func newLeasePipe(w io.Writer) *leasePipe {
	p := &leasePipe{}
	var ok bool
	if p.write, ok = immediate(w); !ok {
		p.write = func(b []byte) error {
			_, err := w.Write(b)
			return err
		}
	}
	return p
}

// put writes a record; the caller holds the lock.
func (p *leasePipe) put(r Record) error {
	r.Encode(&p.buf)
	if err := p.write(p.buf[:]); err != nil {
		return err
	}
	p.sent.Add(1)
	return nil
}

// renew sends a renewal, unless the child is so far behind that it would mean
// nothing.
func (p *leasePipe) renew(epoch, echo uint64, d drivers.Span) error {
	r := Record{Kind: RecordRenew, Epoch: epoch, Echo: echo, Duration: d}
	if err := r.check(); err != nil {
		return err
	}
	if behind := p.sent.Load() - p.read.Load(); behind > backlogMax {
		return fmt.Errorf("%d records unread: %w", behind, errPipeFull)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.put(r)
}

func (p *leasePipe) halt(epoch uint64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := p.put(Record{Kind: RecordHalt, Epoch: epoch}); err != nil {
		return err
	}
	p.halted, p.halting = epoch, p.sent.Load()
	return nil
}

// haltOf returns the place among the records of the latest halt, if it was of
// this epoch, else 0.
func (p *leasePipe) haltOf(epoch uint64) uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.halted != epoch {
		return 0
	}
	return p.halting
}
