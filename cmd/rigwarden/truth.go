package main

import (
	"bytes"
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// truthLog keeps what the virtual bench says of its true current. The bench
// writes from its own goroutine.
type truthLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *truthLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

// zeroAfter is how long after an instant the true current ended; false where it
// never did, or where a line cannot be understood.
func (l *truthLog) zeroAfter(at drivers.Instant) (drivers.Span, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	flowing := false
	for line := range bytes.Lines(l.text.Bytes()) {
		t, err := virtual.ParseTruthLine(string(bytes.TrimSpace(line)))
		if err != nil {
			return 0, false
		}
		switch t.Word {
		case "flowing":
			flowing = true
			if t.At > at {
				return 0, true // it had ended before, and began again later
			}
		case "zero":
			flowing = false
			if t.At >= at {
				return t.At.Sub(at), true
			}
		}
	}
	return 0, !flowing
}
