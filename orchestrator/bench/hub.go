package bench

import (
	"sync"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// hub gives the latest status to any number of readers. A slow reader loses
// pictures and delays nobody.
type hub struct {
	mu     sync.Mutex
	latest Status
	subs   map[*subscriber]struct{}
	// alerts waits for a reader that may be slow; nothing waits for it.
	alerts chan Alert
	// tell, where set, is called instead, by whoever notifies.
	tell func(Alert)
}

// alertsMax is how many notifications may wait for a slow reader.
const alertsMax = 256

type subscriber struct {
	ch   chan Status
	lost uint64
}

func newHub(name string, alert func(Alert)) *hub {
	h := &hub{subs: map[*subscriber]struct{}{}, latest: Status{Bench: name, View: machine.View{Phase: machine.PhaseIdle, Step: -1, ImbalancePPM: -1}}}
	if alert != nil {
		alerts := make(chan Alert, alertsMax) // h.alerts goes with close
		h.alerts = alerts
		go func() {
			for n := range alerts {
				alert(n)
			}
		}()
	}
	return h
}

func (h *hub) publish(s Status) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.latest = s
	for sub := range h.subs {
		select {
		case <-sub.ch: // the reader has not taken the one before
			sub.lost++
		default:
		}
		s.Lost = sub.lost
		sub.ch <- s
	}
}

func (h *hub) status() Status {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.latest
}

// subscribe returns a channel that always holds the latest status, and how to
// end it.
func (h *hub) subscribe() (<-chan Status, func()) {
	sub := &subscriber{ch: make(chan Status, 1)}
	h.mu.Lock()
	defer h.mu.Unlock()
	sub.ch <- h.latest
	h.subs[sub] = struct{}{}
	return sub.ch, func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.subs, sub)
	}
}

// notify passes a notification on without ever waiting (a terminal may be
// stopped); what does not fit is in the record anyway.
func (h *hub) notify(n Alert) {
	if h.tell != nil {
		h.tell(n)
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.alerts == nil {
		return
	}
	select {
	case h.alerts <- n:
	default:
	}
}

// close ends the passing on of notifications.
func (h *hub) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.alerts != nil {
		close(h.alerts)
		h.alerts = nil
	}
}
