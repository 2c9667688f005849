package host

import (
	"errors"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// ErrEpoch: the command belongs to an epoch that is over. It was issued before
// the latest halt, or it arms with an epoch that a lost lease has used up.
var ErrEpoch = errors.New("epoch is over")

// remembered is how many reading numbers a lease can tell the age of. Older
// ones count as too old, which is the safe side: at a link period of 1 ms it
// reaches back a second.
const remembered = 1024

// Lease is the permission to stay energised. It is pure: time comes in, and
// the caller asks whether it is over. The zero value grants nothing.
//
// It begins with Arm and lasts, at first, one length. A renewal quotes the
// number of a reading and holds for its duration from the instant of that
// reading, so that renewals which queued while somebody was stalled mean
// nothing when they arrive. Once it has run out, or was revoked, only an Arm
// with a newer epoch begins another (INV-06).
type Lease struct {
	length drivers.Span // the longest that is granted
	live   bool
	epoch  uint64 // commands of older epochs are refused
	used   uint64 // the newest epoch that armed or commanded
	lost   bool   // arming needs a newer epoch than used
	until  drivers.Instant

	latest uint64                      // highest number sent; 0: none yet
	sent   [remembered]drivers.Instant // by number, modulo
	first  uint64                      // lowest number whose age is known
}

// NewLease returns a lease that grants at most length at a time.
func NewLease(length drivers.Span) *Lease { return &Lease{length: length} }

// Sent notes that the reading with the given number was taken at the given
// instant. Numbers rise; those left out cannot be quoted.
func (l *Lease) Sent(echo uint64, at drivers.Instant) {
	if echo <= l.latest || l.latest == 0 || echo-l.latest >= remembered {
		l.first = echo
	} else {
		for n := l.latest + 1; n < echo; n++ {
			l.sent[n%remembered] = never
		}
	}
	l.latest = echo
	l.sent[echo%remembered] = at
	if l.latest-l.first >= remembered {
		l.first = l.latest - remembered + 1
	}
}

// never is the instant of a reading that was not sent.
const never = drivers.Instant(math.MinInt64 / 2)

// Arm begins a lease in the given epoch, or begins it anew. It refuses an
// epoch older than the one in force, and after a lost lease the same one too.
func (l *Lease) Arm(epoch uint64, now drivers.Instant) error {
	l.Expired(now) // a lease that has run out unnoticed is a lost lease
	switch {
	case l.lost && epoch <= l.used:
		return fmt.Errorf("arm in epoch %d: the lease of epoch %d was lost, only a newer one begins another: %w", epoch, l.used, ErrEpoch)
	case epoch < l.epoch:
		return fmt.Errorf("arm in epoch %d: epoch %d has begun: %w", epoch, l.epoch, ErrEpoch)
	}
	l.epoch, l.used, l.lost, l.live = epoch, epoch, false, true
	l.until = now.Add(l.length)
	return nil
}

// Renew extends a live lease to duration (at most the lease's length) after
// the instant of the reading that echo quotes. It reports whether it did:
// renewals of an older epoch, of a reading that is one lease old or unknown,
// and of a lease that is over are ignored. A renewal never shortens.
func (l *Lease) Renew(epoch, echo uint64, duration drivers.Span, now drivers.Instant) bool {
	if l.Expired(now) || !l.live || epoch < l.epoch {
		return false
	}
	if echo == 0 || l.latest == 0 || echo < l.first || echo > l.latest {
		return false
	}
	duration = min(duration, l.length)
	until := l.sent[echo%remembered].Add(duration)
	if until <= now {
		return false
	}
	l.until = max(l.until, until)
	return true
}

// Halt begins a new epoch: commands of older ones are refused from now on. An
// older epoch than the one in force changes nothing here; the devices are
// halted all the same. The lease itself goes on.
func (l *Lease) Halt(epoch uint64) { l.epoch = max(l.epoch, epoch) }

// Revoke ends the lease, whatever it was, until an Arm with a newer epoch than
// any that armed or commanded before. An epoch that has only halted may arm.
func (l *Lease) Revoke() { l.live, l.lost = false, true }

// Suspend ends the lease without losing it: nothing is energised, and any epoch
// that could arm before can arm after.
func (l *Lease) Suspend() { l.live = false }

// Expired reports whether a lease that was live until now has run out, and
// revokes it: it says true once.
func (l *Lease) Expired(now drivers.Instant) bool {
	if !l.live || now < l.until {
		return false
	}
	l.Revoke()
	return true
}

// Admit says whether a command of the given epoch may energise: ErrLease
// without a live lease, ErrEpoch for an older epoch. A newer one is taken, and
// is in force from then on.
func (l *Lease) Admit(epoch uint64, now drivers.Instant) error {
	switch {
	case !l.live || now >= l.until:
		return drivers.ErrLease
	case epoch < l.epoch:
		return fmt.Errorf("command of epoch %d, but epoch %d has begun: %w", epoch, l.epoch, ErrEpoch)
	}
	l.epoch, l.used = epoch, max(l.used, epoch)
	return nil
}

// Until returns when the lease runs out if nothing renews it; ok is false
// without a live lease.
func (l *Lease) Until() (until drivers.Instant, ok bool) { return l.until, l.live }

// Epoch returns the epoch in force.
func (l *Lease) Epoch() uint64 { return l.epoch }
