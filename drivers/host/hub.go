package host

import (
	"sync"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// hubBuffer is how many reports wait for a slow stream before the oldest goes.
const hubBuffer = 64

// subscribersMax bounds the streams of one host; each costs the sampler time.
const subscribersMax = 8

// hub hands frames and events to all streams. A slow one loses the oldest
// report, never the newest, and delays nobody.
type hub struct {
	mu   sync.Mutex
	subs map[chan *driverv1.FramesResponse]bool
	// early keeps events for the first stream.
	early   []*driverv1.FramesResponse
	records func() uint64
}

func newHub(records func() uint64) *hub {
	return &hub{subs: make(map[chan *driverv1.FramesResponse]bool), records: records}
}

// subscribe returns a new stream's queue, or nil where there are too many.
func (h *hub) subscribe() chan *driverv1.FramesResponse {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.subs) >= subscribersMax {
		return nil
	}
	ch := make(chan *driverv1.FramesResponse, hubBuffer)
	for _, r := range h.early {
		ch <- r
	}
	h.early = nil
	h.subs[ch] = true
	return ch
}

func (h *hub) unsubscribe(ch chan *driverv1.FramesResponse) {
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.subs, ch)
}

// frame sends a copy of f.
func (h *hub) frame(f *drivers.Frame) {
	at := int64(f.At)
	h.put(&driverv1.FramesResponse{Report: &driverv1.FramesResponse_Frame{Frame: &driverv1.Frame{
		Number: f.Echo, AtUs: &at, Counts: append([]int32(nil), f.Counts...), Records: h.records(),
	}}}, false)
}

func (h *hub) event(e Event) {
	h.put(&driverv1.FramesResponse{Report: &driverv1.FramesResponse_Event{Event: eventToWire(e)}}, true)
}

func (h *hub) put(r *driverv1.FramesResponse, keep bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if keep && len(h.subs) == 0 && len(h.early) < hubBuffer {
		h.early = append(h.early, r)
	}
	for ch := range h.subs {
		newest(ch, r)
	}
}
