package host

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

func ptr[T any](v T) *T { return &v }

// INV-02: what is missing or unknown in a command is refused, never read as
// zero, and the device hears nothing of it.
func TestWireRefusesWhatIsMissing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		r.arm(1)
		ctx, rpc := t.Context(), r.client.rpc
		before := map[*fake]int{}
		for _, f := range r.fakes() {
			before[f] = len(f.heardSince(0))
		}
		whole := func() *driverv1.SetRequest {
			return &driverv1.SetRequest{Epoch: 1, Direction: driverv1.Direction_DIRECTION_CHARGE, CurrentUa: ptr(int64(1)), VoltageUv: ptr(int64(1)), On: ptr(true)}
		}
		for name, spoil := range map[string]func(*driverv1.SetRequest){
			"direction unspecified": func(s *driverv1.SetRequest) { s.Direction = 0 },
			"direction unknown":     func(s *driverv1.SetRequest) { s.Direction = 3 },
			"no current":            func(s *driverv1.SetRequest) { s.CurrentUa = nil },
			"no voltage":            func(s *driverv1.SetRequest) { s.VoltageUv = nil },
			"neither on nor off":    func(s *driverv1.SetRequest) { s.On = nil },
		} {
			s := whole()
			spoil(s)
			_, err := rpc.Set(ctx, s)
			require.Equal(t, codes.InvalidArgument, status.Code(err), name)
		}
		negative := whole()
		negative.CurrentUa = ptr(int64(-1))
		_, err := rpc.Set(ctx, negative)
		require.Equal(t, codes.FailedPrecondition, status.Code(err))
		for _, c := range []driverv1.Contactor{0, 4} {
			_, err := rpc.Switch(ctx, &driverv1.SwitchRequest{Epoch: 1, Closed: []driverv1.Contactor{1, c}})
			require.Equal(t, codes.InvalidArgument, status.Code(err))
		}
		_, err = rpc.Fast(ctx, &driverv1.FastRequest{})
		require.Equal(t, codes.InvalidArgument, status.Code(err))
		tripwire := tripwireToWire(testLimits())
		for name, arm := range map[string]*driverv1.ArmRequest{
			"no tripwire":            {Epoch: 2},
			"tripwire with a hole":   {Epoch: 2, Tripwire: &driverv1.Tripwire{CellMaxUv: ptr(int64(1))}},
			"tripwire upside down":   {Epoch: 2, Tripwire: tripwireToWire(TripwireLimits{CellMin: 5, CellMax: 4, TempMax: 1, CurrentMax: 1, Silence: 1})},
			"protection with a hole": {Epoch: 2, Tripwire: tripwire, Supply: &driverv1.Protection{VoltageMaxUv: ptr(int64(1))}},
			"protection below zero":  {Epoch: 2, Tripwire: tripwire, Load: protectionToWire(drivers.Protection{VoltageMax: -1})},
		} {
			_, err := rpc.Arm(ctx, arm)
			require.Equal(t, codes.InvalidArgument, status.Code(err), name)
		}
		for f, n := range before {
			require.Len(t, f.heardSince(0), n)
		}
		require.NoError(t, r.client.Set(ctx, 1, true, amps(1)), "epoch 2 has not begun")
	})
}

// A role that the bench does not have is said to be absent.
func TestWireAbsentDevices(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.config.Set = drivers.Set{Monitor: r.monitor}
		r.open()
		_, _, err := r.client.Arm(t.Context(), 1, protection(), protection(), testLimits())
		require.ErrorIs(t, err, ErrAbsent)
		require.ErrorIs(t, r.client.Set(t.Context(), 1, true, amps(1)), ErrAbsent)
		require.ErrorIs(t, r.client.Switch(t.Context(), 1, drivers.BoxNegative), ErrAbsent)
		require.NoError(t, r.client.Halt(2))
		require.NoError(t, r.client.Halted(t.Context(), 2), "nothing to halt is halted")
		require.Len(t, r.client.Describe().Identities, 1)
		f := <-r.client.Frames()
		require.Equal(t, drivers.NoReading, f.Counts[testLayout(t).Find(drivers.SupplyState)])
	})
}

func TestWireErrorsKeepTheirKind(t *testing.T) {
	for _, kind := range []error{drivers.ErrNoAnswer, drivers.ErrRefused, drivers.ErrLease, drivers.ErrIdentity, ErrEpoch, ErrImpossible, ErrAbsent} {
		got := fromStatus(toStatus(fmt.Errorf("supply: %w", kind)))
		require.ErrorIs(t, got, kind)
		require.EqualError(t, got, "supply: "+kind.Error())
		for _, w := range wireErrors {
			require.Equal(t, errors.Is(kind, w.err), errors.Is(got, w.err), "%v became %v", kind, w.err)
		}
	}
	require.NoError(t, fromStatus(toStatus(nil)))
	require.ErrorIs(t, fromStatus(toStatus(context.DeadlineExceeded)), drivers.ErrNoAnswer)
	other := fromStatus(toStatus(errors.New("supply: ISET? -> \"0 mA\": no number")))
	require.EqualError(t, other, "supply: ISET? -> \"0 mA\": no number", "people read what was said, not how it came")
	require.Equal(t, codes.Internal, status.Code(errors.Unwrap(other)))
}

// INV-02: a host that sends what cannot be is lost, not believed.
func TestClientRefusesImpossibleReports(t *testing.T) {
	l := testLayout(t)
	n := len(l.Channels)
	frame := func(number uint64) *driverv1.Frame {
		return &driverv1.Frame{Number: number, AtUs: ptr(int64(1)), Counts: make([]int32, n)}
	}
	c := newClient(&Child{}, l, Options{})
	require.NoError(t, c.frame(frame(5), 4))
	require.ErrorIs(t, c.frame(nil, 0), ErrImpossible)
	require.ErrorIs(t, c.frame(frame(5), 5), ErrImpossible)
	require.ErrorIs(t, c.frame(&driverv1.Frame{Number: 6, Counts: make([]int32, n)}, 5), ErrImpossible)
	require.ErrorIs(t, c.frame(&driverv1.Frame{Number: 6, AtUs: ptr(int64(1)), Counts: make([]int32, n-1)}, 5), ErrImpossible)

	good := Event{Kind: EventBreach, At: 5, Role: RoleMonitor, Echo: 7, Breach: Breach{Channel: n - 1, Value: 1, Limit: 2, Unknown: true}, Text: "so"}
	back, err := eventFromWire(eventToWire(good), n)
	require.NoError(t, err)
	require.Equal(t, good, back)
	for _, spoil := range []func(*driverv1.Event){
		func(e *driverv1.Event) { e.Kind = 0 },
		func(e *driverv1.Event) { e.Kind = driverv1.Event_Kind(eventKinds) },
		func(e *driverv1.Event) { e.Role = driverv1.Role(roles) },
		func(e *driverv1.Event) { e.AtUs = nil },
		func(e *driverv1.Event) { e.Channel = nil },
		func(e *driverv1.Event) { e.Channel = ptr(int32(n)) },
		func(e *driverv1.Event) { e.Channel = ptr(int32(-2)) },
	} {
		w := eventToWire(good)
		spoil(w)
		require.ErrorIs(t, c.event(w), ErrImpossible)
	}
	require.ErrorIs(t, c.event(nil), ErrImpossible)
}

// The numbers in Go are those on the wire.
func TestWireNumbers(t *testing.T) {
	require.Len(t, driverv1.Role_name, int(roles))
	require.Len(t, driverv1.Event_Kind_name, int(eventKinds))
	require.Len(t, driverv1.Kind_name, int(drivers.LoadBeat)+1)
	for k := drivers.Kind(1); k <= drivers.LoadBeat; k++ {
		require.NotContains(t, k.String(), "kind(")
		require.Contains(t, driverv1.Kind_name, int32(k))
	}
	require.Equal(t, "ROLE_METER", driverv1.Role(RoleMeter).String())
	require.Equal(t, "KIND_OPENED", driverv1.Event_Kind(EventOpened).String())
}

// A reader that is too slow loses the oldest; the newest is there at once, and
// the gap shows.
func TestSlowReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t).open()
		first := <-r.client.Frames()
		pass(20*time.Second + 50*tms) // 200 frames
		var got []uint64
		for len(r.client.Frames()) > 0 {
			got = append(got, (<-r.client.Frames()).Echo)
		}
		require.Len(t, got, 64)
		require.Equal(t, got[0]+63, got[63], "no gap among those kept")
		require.Equal(t, first.Echo+200, got[63], "the newest")
		require.Equal(t, got[0]-first.Echo-1, r.client.Dropped())
	})
}

func TestHubNewestFirst(t *testing.T) {
	h := newHub(func() uint64 { return 9 })
	h.event(Event{Kind: EventDeviceLost, Text: "before anybody listened"})
	ch := h.subscribe()
	require.Equal(t, "before anybody listened", (<-ch).GetEvent().Text)
	f := &drivers.Frame{Counts: []int32{1}}
	for f.Echo = 1; f.Echo <= 3*hubBuffer; f.Echo++ {
		h.frame(f)
	}
	require.Len(t, ch, hubBuffer)
	f.Counts[0] = 2 // the sampler's scratch; what was sent is a copy
	r := (<-ch).GetFrame()
	require.Equal(t, uint64(2*hubBuffer+1), r.Number)
	require.Equal(t, []int32{1}, r.Counts)
	require.Equal(t, uint64(9), r.Records)
	for range subscribersMax - 1 {
		require.NotNil(t, h.subscribe())
	}
	require.Nil(t, h.subscribe(), "one too many")
	h.unsubscribe(ch)
	require.NotNil(t, h.subscribe())
}

// A frame that was held up on its way looks as old as it is, whatever the two
// clocks show.
func TestOffset(t *testing.T) {
	var now drivers.Instant
	o := offset{now: func() drivers.Instant { return now }}
	const ahead = 5 * drivers.Hour // their clock is behind by so much
	arrives := func(sent, delay drivers.Span) drivers.Span {
		now = at(ahead + sent + delay)
		return now.Sub(o.here(at(sent)))
	}
	require.Equal(t, drivers.Span(0), arrives(0, 3*ms), "nothing is known yet")
	require.Equal(t, drivers.Span(0), arrives(100*ms, ms))
	require.Equal(t, 4*ms, arrives(200*ms, 5*ms))
	require.Equal(t, drivers.Span(0), arrives(300*ms, ms))
	require.Equal(t, 9999*ms-10*driftPerSecond, arrives(400*ms, 10*drivers.Second), "less the drift allowed in ten seconds")
	require.Equal(t, drivers.Span(0), arrives(11*drivers.Second, ms), "the quickest way counts again")
	require.Equal(t, ms, arrives(11100*ms, 2*ms))
}
