package host

import (
	"errors"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// ErrLeaseShort: the lease could run out without a fault.
var ErrLeaseShort = errors.New("lease is too short")

// CheckLease refuses a lease that a healthy bench could lose: one under three
// frame periods plus the measured 99.9 % of scheduling delays.
func CheckLease(lease, period, scheduling drivers.Span) error {
	least := 3*period + scheduling
	if lease >= least && lease > 0 {
		return nil
	}
	return fmt.Errorf("%w: %d ms, but three frames of %d ms and the scheduling delay of %d.%03d ms need %d ms",
		ErrLeaseShort, lease/drivers.Millisecond, period/drivers.Millisecond,
		scheduling/drivers.Millisecond, scheduling%drivers.Millisecond, (least+drivers.Millisecond-1)/drivers.Millisecond)
}

// Margin is the way of one quantity from where the bench works to where it
// must never be, and how fast it could go it at the bench's greatest current.
type Margin struct {
	Name string
	// Absolute is the limit that must never be passed, Operating the one that
	// the run keeps; both in base units, Absolute above Operating or, for a
	// lower limit, under it.
	Absolute, Operating int64
	// Rate is the worst rate of change at maximum current, a magnitude in base
	// units per second. 0: it does not move.
	Rate int64
}

// Allowed returns how long the bench may stay energised unwatched: the least
// over all quantities of (absolute - operating limit) / worst rate, and the
// name of the quantity that decides. Fractions of a microsecond are dropped.
func Allowed(margins ...Margin) (drivers.Span, string, error) {
	least, by := drivers.Span(math.MaxInt64), ""
	for _, m := range margins {
		if m.Rate < 0 {
			return 0, "", fmt.Errorf("%s: rate %d per second; a magnitude would be right", m.Name, m.Rate)
		}
		if m.Rate == 0 {
			continue
		}
		way := m.Absolute - m.Operating
		if way < 0 {
			way = -way
		}
		if way > math.MaxInt64/int64(drivers.Second) {
			return 0, "", fmt.Errorf("%s: %d from the limit is too far to be meant", m.Name, way)
		}
		if t := drivers.Span(way * int64(drivers.Second) / m.Rate); t < least {
			least, by = t, m.Name
		}
	}
	if by == "" {
		return 0, "", errors.New("no quantity moves: the allowed time cannot be told")
	}
	return least, by, nil
}

// Terms tell how long a bench's lease is, and between what it lies.
type Terms struct {
	Length, Period, Scheduling drivers.Span
	// Least is three frame periods and the measured scheduling delay: a shorter
	// lease could run out without a fault.
	Least drivers.Span
	// Allowed is how long current may go on unwatched, and By the quantity that
	// decides; By is empty where no margins were given.
	Allowed drivers.Span
	By      string
}

// LeaseTerms derives between what a bench's lease lies. The margins come from
// the plan or module that the bench is to run; without any, Allowed is not told.
func LeaseTerms(b *drivers.Bench, scheduling drivers.Span, margins ...Margin) (Terms, error) {
	t := Terms{Length: b.Lease, Period: b.Monitor.Period, Scheduling: scheduling, Least: 3*b.Monitor.Period + scheduling}
	var err error
	if len(margins) > 0 {
		t.Allowed, t.By, err = Allowed(margins...)
	}
	return t, err
}

// Fits reports whether the lease lies between both.
func (t Terms) Fits() bool { return t.Length >= t.Least && (t.By == "" || t.Length <= t.Allowed) }

func (t Terms) String() string {
	s := fmt.Sprintf("lease %v: at least %v (three frames of %v and %v of scheduling)",
		duration(t.Length), duration(t.Least), duration(t.Period), duration(t.Scheduling))
	if t.By != "" {
		s += fmt.Sprintf(", at most %v (%s)", rounded(t.Allowed), t.By)
	}
	return s
}
