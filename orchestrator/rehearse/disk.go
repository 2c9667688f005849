package rehearse

import (
	"errors"
	"fmt"
	"strings"
	"syscall"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// errKilled is what a disk says to a process that is no more.
var errKilled = errors.New("the process was killed")

// disk stands beneath the store. It is as slow, failing or full as the campaign
// wants, and it is where a process dies in the middle of a write: from then on
// nothing reaches the file, which stays as the last transaction left it.
type disk struct {
	w     *witness
	fault StoreFault
	// waits is where what takes time says so; inline, where the bench's own
	// goroutine writes, time goes on at once and the loop stands.
	waits  chan bench.Wait
	inline bool
	busy   drivers.Instant // until then it works for somebody
	aside  bool            // what happens is not the campaign's doing
	filled bool
}

// bad says whether the fault is there by now.
func (d *disk) bad(kind StoreKind) bool {
	return d.fault.Kind == kind && d.w.rig.Now() >= began.Add(d.fault.At)
}

// step is the store's question.
func (d *disk) step(at store.DiskStep) error {
	if d.w.dead || !d.aside && d.w.count(false) {
		return errKilled
	}
	switch at {
	case store.DiskBegin:
		if d.bad(StoreSlow) {
			d.work()
		}
		if d.w.dead {
			return errKilled
		}
	case store.DiskGrow:
		if d.bad(StoreFull) {
			return d.failed(syscall.ENOSPC)
		}
	case store.DiskWrite:
		if d.bad(StoreFailing) {
			return d.failed(syscall.EIO)
		}
	}
	return nil
}

func (d *disk) failed(err error) error {
	if d.w.storeFailed == 0 && !d.aside {
		d.w.storeFailed = d.w.rig.Now()
	}
	return err
}

// work is a write of a slow disk, which does one at a time.
func (d *disk) work() {
	d.busy = max(d.busy, d.w.rig.Now()).Add(d.fault.Delay)
	if d.inline {
		d.w.rig.Advance(d.busy)
		return
	}
	d.pause(d.busy)
}

// pause lets a storage job wait while the bench goes on.
func (d *disk) pause(until drivers.Instant) {
	goOn := make(chan struct{})
	d.waits <- bench.Wait{Until: until, Go: func() { close(goOn) }}
	<-goOn
}

// fill uses up what room the store has but its reserve, as other benches and
// files do on a disk that runs full.
func (d *disk) fill(st *store.Store) {
	if d.filled || !d.bad(StoreFull) {
		return
	}
	d.filled, d.aside = true, true
	defer func() { d.aside = false }()
	n := 0
	for size := 64 << 10; size >= 1<<9; size /= 2 {
		for {
			n++
			err := st.PutModule(store.Module{Serial: fmt.Sprintf("ballast-%03d", n), Source: strings.Repeat("x", size), Who: person})
			if err != nil {
				break
			}
		}
	}
}
