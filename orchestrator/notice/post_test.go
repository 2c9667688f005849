package notice

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// peer is a receiver that answers what a test wants.
type peer struct {
	answer func(n Notice) error
	got    []Notice
	tries  int
	failed []string
}

func (p *peer) send(_ context.Context, _ Receiver, body []byte) error {
	var n Notice
	if err := json.Unmarshal(body, &n); err != nil {
		return err
	}
	p.tries++
	if err := p.answer(n); err != nil {
		return err
	}
	p.got = append(p.got, n)
	return nil
}

func (p *peer) options() Options {
	return Options{Send: p.send, Failed: func(_ Receiver, _ Notice, err error) { p.failed = append(p.failed, err.Error()) }}
}

func everything() []Receiver {
	return []Receiver{{Command: []string{"tell"}, On: Whats, Timeout: time.Second}}
}

// A receiver that is down for an hour gets everything, in order, once it is back;
// its first failure is told, and no further one.
func TestTriesUntilThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		back := time.Now().Add(time.Hour)
		p := &peer{answer: func(Notice) error {
			if time.Now().Before(back) {
				return errors.New("nobody answers")
			}
			return nil
		}}
		post := NewPost(everything(), p.options())
		begun := time.Now()
		for i := range 5 {
			post.Tell(Notice{What: Trip, Bench: "quay-1", Text: fmt.Sprint("trip ", i)})
		}
		require.Zero(t, time.Since(begun), "telling waits for nobody")
		<-time.After(2 * time.Hour)
		synctest.Wait()
		require.Len(t, p.got, 5)
		for i, n := range p.got {
			assert.Equal(t, fmt.Sprint("trip ", i), n.Text)
			assert.Equal(t, Caution, n.Caution)
			assert.Zero(t, n.Lost)
		}
		assert.Equal(t, []string{"nobody answers; it is tried again"}, p.failed)
		// From a second, half again as long each time (backoff's growth), to five
		// minutes: some 14 tries until there, and some 10 of five minutes.
		assert.InDelta(t, 25, p.tries-5, 8)
		post.Close(t.Context())
	})
}

// What does not fit is counted, and told once; a trip makes room for itself.
func TestFullQueueKeepsTrips(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open := make(chan struct{})
		p := &peer{answer: func(Notice) error { <-open; return nil }}
		post := NewPost(everything(), p.options())
		post.Tell(Notice{What: End, Text: "first"})
		synctest.Wait() // it is being sent
		post.Tell(Notice{What: Trip, Text: "the trip"})
		for range waitingMost + 9 {
			post.Tell(Notice{What: Ask, Text: "ask"})
		}
		close(open)
		synctest.Wait()
		require.Len(t, p.got, 1+waitingMost)
		assert.Equal(t, "the trip", p.got[1].Text)
		assert.Equal(t, 10, p.got[1].Lost)
		assert.Zero(t, p.got[2].Lost, "told once")
		post.Close(t.Context())
	})
}

func TestGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{answer: func(n Notice) error {
			switch n.Text {
			case "bad":
				return fmt.Errorf("%w: answered 404", ErrRefused)
			case "old":
				return errors.New("down")
			}
			return nil
		}}
		post := NewPost(everything(), p.options())
		for _, s := range []string{"bad", "old", "good"} {
			post.Tell(Notice{What: Alarm, Text: s})
		}
		<-time.After(25 * time.Hour)
		synctest.Wait()
		require.Len(t, p.got, 1)
		assert.Equal(t, 2, p.got[0].Lost)
		assert.Contains(t, p.failed[0], "given up: refused by its receiver: answered 404")
		assert.Contains(t, p.failed[2], "given up: down")
		post.Close(t.Context())
	})
}

// Close lets what waits go out, and waits no longer than it may; one slow
// receiver holds up no other, and each gets only what it asked for.
func TestCloseAndReceivers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		list := []Receiver{
			{Command: []string{"slow"}, On: []What{End}, Timeout: time.Hour},
			{Command: []string{"quick"}, On: []What{Trip}, Timeout: time.Second},
		}
		var quick []string
		post := NewPost(list, Options{Send: func(ctx context.Context, r Receiver, body []byte) error {
			if r.Command[0] == "slow" {
				<-ctx.Done()
				return ctx.Err()
			}
			quick = append(quick, string(body))
			return nil
		}})
		post.Tell(Notice{What: End, Text: "over"})
		post.Tell(Notice{What: Trip, Text: "tripped"})
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		begun := time.Now()
		post.Close(ctx)
		assert.Equal(t, 5*time.Second, time.Since(begun))
		require.Len(t, quick, 1)
		assert.Contains(t, quick[0], "tripped")
		post.Tell(Notice{What: Trip}) // after the end: nothing happens
	})
}

// What a lasting fault says every few seconds is told every ten minutes; trips
// are all told.
func TestSameAlarmIsNotToldAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &peer{answer: func(Notice) error { return nil }}
		post := NewPost(everything(), p.options())
		for range 600 { // half an hour, every three seconds
			post.Tell(Notice{What: Alarm, Bench: "quay-1", Text: "host does not start"})
			<-time.After(3 * time.Second)
		}
		synctest.Wait()
		assert.Len(t, p.got, 3)
		post.Tell(Notice{What: Alarm, Bench: "quay-2", Text: "host does not start"})
		post.Tell(Notice{What: Trip, Bench: "quay-1", Text: "over"})
		post.Tell(Notice{What: Trip, Bench: "quay-1", Text: "over"})
		synctest.Wait()
		assert.Len(t, p.got, 6)
		post.Close(t.Context())
	})
}
