package canbus

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// errLogEnd: a recording was played to its end. Nothing comes any more, and
// that is what readers see.
var errLogEnd = errors.New("the recording has ended")

// recording plays a candump log back at the pace of its recording.
type recording struct {
	next  func() (Record, error, bool)
	stop  func()
	file  io.Closer
	now   func() drivers.Instant
	tell  func(string)
	shift drivers.Span // from the log's time to the clock's
	began bool
	done  chan struct{}
	once  sync.Once
}

func openRecording(path string, now func() drivers.Instant, tell func(string)) (*recording, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	r := &recording{file: file, now: now, tell: tell, done: make(chan struct{})}
	r.next, r.stop = iter.Pull2(ParseCandump(file))
	return r, nil
}

// pace is how often the clock is looked at while a frame is not due.
const pace = 5 * time.Millisecond

func (r *recording) Receive(f *Frame) error {
	for {
		rec, err, ok := r.next()
		switch {
		case !ok:
			return errLogEnd
		case err != nil:
			r.tell(err.Error())
			continue
		}
		if !r.began {
			r.began, r.shift = true, r.now().Sub(rec.At)
		}
		if err := r.await(rec.At.Add(r.shift)); err != nil {
			return err
		}
		*f = rec.Frame
		return nil
	}
}

// await waits for an instant. The clock need not be the real one.
func (r *recording) await(due drivers.Instant) error {
	for {
		left := due.Sub(r.now())
		if left <= 0 {
			return nil
		}
		timer := time.NewTimer(min(time.Duration(left)*time.Microsecond, pace))
		select {
		case <-timer.C:
		case <-r.done:
			timer.Stop()
			return fmt.Errorf("the recording was closed: %w", os.ErrClosed)
		}
	}
}

func (r *recording) Send([]Frame, time.Time) (broken bool, err error) { return false, errListenOnly }

func (r *recording) Interrupt() {}

func (r *recording) Close() error {
	r.once.Do(func() { close(r.done) })
	return nil
}

// release gives back what the receiving goroutine used; only it may call this.
func (r *recording) release() {
	r.stop()
	_ = r.file.Close()
}
