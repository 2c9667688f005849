package host

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

const ms = drivers.Millisecond

// armedLease is a lease of one second, armed at 0 in epoch 5, with readings 1
// to 10 sent at 100 ms to 1000 ms.
func armedLease(t *testing.T) *Lease {
	l := NewLease(drivers.Second)
	require.NoError(t, l.Arm(5, 0))
	for n := range uint64(10) {
		l.Sent(n+1, at(100*ms*drivers.Span(n+1)))
	}
	return l
}

// at is the instant d after the zero of these tests.
func at(d drivers.Span) drivers.Instant { return drivers.Instant(0).Add(d) }

func untilOf(t *testing.T, l *Lease) drivers.Instant {
	until, ok := l.Until()
	require.True(t, ok, "no live lease")
	return until
}

func TestLeaseGrantsNothingBeforeArming(t *testing.T) {
	l := NewLease(drivers.Second)
	require.ErrorIs(t, l.Admit(1, 0), drivers.ErrLease)
	l.Sent(1, 0)
	require.False(t, l.Renew(1, 1, drivers.Second, at(ms)), "a renewal must not begin a lease")
	require.ErrorIs(t, l.Admit(1, at(ms)), drivers.ErrLease)
	require.False(t, l.Expired(at(drivers.Hour)), "what never began does not run out")
}

func TestLeaseCountsFromTheReading(t *testing.T) {
	l := armedLease(t)
	require.True(t, l.Renew(5, 4, drivers.Second, at(900*ms)))
	require.Equal(t, at(1400*ms), untilOf(t, l))
	require.True(t, l.Renew(5, 9, 700*ms, at(950*ms)))
	require.Equal(t, at(1600*ms), untilOf(t, l))
	require.True(t, l.Renew(5, 4, drivers.Second, at(960*ms)))
	require.Equal(t, at(1600*ms), untilOf(t, l), "a renewal never shortens")
	require.True(t, l.Renew(5, 10, drivers.Hour, at(1100*ms)))
	require.Equal(t, at(2000*ms), untilOf(t, l), "no more than the bench's lease is granted")
	require.NoError(t, l.Admit(5, at(2000*ms-1)))
	require.ErrorIs(t, l.Admit(5, at(2000*ms)), drivers.ErrLease)
	require.True(t, l.Expired(at(2000*ms)))
	require.False(t, l.Expired(at(2000*ms)), "it runs out once")
}

// INV-02: a daemon that stood still for longer than a lease leaves renewals in
// the pipe; they quote old readings and mean nothing.
func TestLeaseIgnoresStaleEchoes(t *testing.T) {
	l := armedLease(t)
	require.True(t, l.Renew(5, 9, drivers.Second, at(990*ms)))
	for n := uint64(11); n <= 18; n++ {
		l.Sent(n, at(100*ms*drivers.Span(n)))
	}
	now := at(1899 * ms) // live for one more millisecond
	require.False(t, l.Renew(5, 8, drivers.Second, now), "the reading is over one lease old")
	require.False(t, l.Renew(5, 19, drivers.Second, now), "no such reading was sent")
	require.False(t, l.Renew(5, 0, drivers.Second, now))
	require.False(t, l.Renew(4, 18, drivers.Second, now), "older epoch")
	require.Equal(t, at(1900*ms), untilOf(t, l))
	require.False(t, l.Renew(5, 18, drivers.Second, at(1900*ms)), "a lease that is over is not renewed")
	require.ErrorIs(t, l.Admit(5, at(1900*ms)), drivers.ErrLease)
}

func TestLeaseForgetsReadings(t *testing.T) {
	l := NewLease(drivers.Hour)
	require.NoError(t, l.Arm(1, 0))
	for n := uint64(1); n <= remembered+5; n++ {
		l.Sent(n, at(drivers.Span(n)*ms))
	}
	now := at(2 * drivers.Second)
	require.False(t, l.Renew(1, 5, drivers.Hour, now), "its age is no longer known")
	require.True(t, l.Renew(1, 6, drivers.Hour, now))
	l.Sent(remembered+8, at(1800*ms)) // two were lost on their way
	require.False(t, l.Renew(1, remembered+7, drivers.Hour, now), "it was never sent")
	require.True(t, l.Renew(1, remembered+5, drivers.Hour, now))
	require.True(t, l.Renew(1, remembered+8, drivers.Hour, now))
	l.Sent(10*remembered, at(1900*ms))
	require.False(t, l.Renew(1, remembered+8, drivers.Hour, now))
}

// INV-05, INV-06: nothing but a new decision energises again.
func TestLeaseEpochs(t *testing.T) {
	l := armedLease(t)
	require.NoError(t, l.Admit(5, at(ms)))
	require.ErrorIs(t, l.Admit(4, at(ms)), ErrEpoch)
	l.Halt(6)
	require.ErrorIs(t, l.Admit(5, at(ms)), ErrEpoch, "issued before the halt")
	require.NoError(t, l.Admit(6, at(ms)), "a halt by command does not end the lease")
	l.Halt(3)
	require.NoError(t, l.Admit(6, at(ms)), "an old halt begins no epoch")
	require.ErrorIs(t, l.Arm(5, at(ms)), ErrEpoch)
	require.NoError(t, l.Arm(6, at(ms)), "arming again within the epoch is a decision of that epoch")

	l.Revoke()
	require.ErrorIs(t, l.Admit(6, at(2*ms)), drivers.ErrLease)
	require.ErrorIs(t, l.Admit(7, at(2*ms)), drivers.ErrLease, "a newer epoch alone energises nothing")
	require.ErrorIs(t, l.Arm(6, at(2*ms)), ErrEpoch)
	require.NoError(t, l.Arm(7, at(2*ms)))
	require.NoError(t, l.Admit(7, at(2*ms)))

	l.Halt(8) // then the lease runs out, at rest
	require.True(t, l.Expired(at(2*ms).Add(drivers.Second)))
	require.ErrorIs(t, l.Arm(7, at(3*drivers.Second)), ErrEpoch)
	require.NoError(t, l.Arm(8, at(3*drivers.Second)), "epoch 8 never armed or commanded anything")
}

func TestLeaseThatRanOutUnnoticedIsLost(t *testing.T) {
	l := armedLease(t)
	require.ErrorIs(t, l.Arm(5, at(drivers.Minute)), ErrEpoch)
	require.NoError(t, l.Arm(6, at(drivers.Minute)))
}

// dumbLease says the same in the slowest way: it keeps everything that ever
// happened and reads it again for each question.
type dumbLease struct {
	length drivers.Span
	log    []leaseStep
}

type leaseStep struct {
	op    string // arm, renew, halt, revoke, admit
	epoch uint64
	until drivers.Instant
	now   drivers.Instant
}

// state replays the log up to now.
func (d *dumbLease) state(now drivers.Instant) (live bool, epoch, used uint64, until drivers.Instant, lost bool) {
	for i, s := range append(d.log, leaseStep{op: "now", now: now}) {
		if live && s.now >= until {
			live, lost = false, true
		}
		switch s.op {
		case "arm":
			live, lost, epoch, until = true, false, s.epoch, s.now.Add(d.length)
		case "renew":
			until = max(until, s.until)
		case "halt":
			epoch = max(epoch, s.epoch)
		case "revoke":
			live, lost = false, true
		case "admit":
			epoch = s.epoch
		}
		used = 0
		for _, u := range d.log[:min(i+1, len(d.log))] {
			if u.op == "arm" || u.op == "admit" {
				used = max(used, u.epoch)
			}
		}
	}
	return
}

// The lease, against the dumb one, over random histories.
func TestLeaseModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const length = 500 * ms
		l, d := NewLease(length), &dumbLease{length: length}
		var now drivers.Instant
		sent := map[uint64]drivers.Instant{}
		number := uint64(0)
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			now = now.Add(drivers.Span(rapid.IntRange(0, 300).Draw(t, "wait")) * ms)
			epoch := uint64(rapid.IntRange(0, 6).Draw(t, "epoch"))
			live, inForce, used, _, lost := d.state(now)
			switch rapid.SampledFrom([]string{"sent", "sent", "renew", "renew", "arm", "halt", "admit", "revoke"}).Draw(t, "op") {
			case "sent":
				number += uint64(rapid.IntRange(1, 3).Draw(t, "lost"))
				sent[number] = now
				l.Sent(number, now)
			case "renew":
				echo := uint64(rapid.IntRange(0, int(number)+1).Draw(t, "echo"))
				span := drivers.Span(rapid.IntRange(1, 900).Draw(t, "duration")) * ms
				taken, known := sent[echo]
				until := taken.Add(min(span, length))
				want := live && known && epoch >= inForce && until > now
				if got := l.Renew(epoch, echo, span, now); got != want {
					t.Fatalf("renew(%d, %d, %d) at %d: %v, want %v", epoch, echo, span, now, got, want)
				}
				if want {
					d.log = append(d.log, leaseStep{op: "renew", until: until, now: now})
				}
			case "arm":
				want := epoch >= inForce && (!lost || epoch > used)
				if err := l.Arm(epoch, now); (err == nil) != want {
					t.Fatalf("arm(%d) at %d: %v, want %v", epoch, now, err, want)
				}
				if want {
					d.log = append(d.log, leaseStep{op: "arm", epoch: epoch, now: now})
				}
			case "halt":
				l.Halt(epoch)
				d.log = append(d.log, leaseStep{op: "halt", epoch: epoch, now: now})
			case "admit":
				want := live && epoch >= inForce
				if err := l.Admit(epoch, now); (err == nil) != want {
					t.Fatalf("admit(%d) at %d: %v, want %v", epoch, now, err, want)
				}
				if want {
					d.log = append(d.log, leaseStep{op: "admit", epoch: epoch, now: now})
				}
			case "revoke":
				l.Revoke()
				d.log = append(d.log, leaseStep{op: "revoke", now: now})
			}
			l.Expired(now)
			gotUntil, gotLive := l.Until()
			live, inForce, _, until, _ := d.state(now)
			if gotLive != live || l.Epoch() != inForce || live && gotUntil != until {
				t.Fatalf("at %d: live %v until %d epoch %d, want %v %d %d", now, gotLive, gotUntil, l.Epoch(), live, until, inForce)
			}
		}
	})
}

func TestLeaseAllocatesNothing(t *testing.T) {
	l := armedLease(t)
	n := uint64(10)
	require.Zero(t, testing.AllocsPerRun(100, func() {
		n++
		l.Sent(n, at(1000*ms))
		l.Renew(5, n, drivers.Second, at(1000*ms))
		l.Expired(at(1000 * ms))
	}))
}
