package host

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// channelMap puts the counts of a driver of some of a bench's devices where
// they stand in the bench's frames. nil leaves frames as they are.
type channelMap struct {
	places []place // in the order of the driver's channels
	size   int     // of the bench's frames
}

// place is where a count goes, and how: bench count = count*num + shift.
type place struct {
	at         int // -1: not asked for
	num, shift int64
}

// match finds the channels of the given roles among the driver's. It refuses a
// driver that lacks a role or a channel, and scales that cannot be converted
// without rounding.
func (d *Description) match(bench *drivers.Layout, asked []Role) (*channelMap, error) {
	for _, r := range asked {
		if _, ok := d.Identities[r]; !ok {
			return nil, fmt.Errorf("%w: it serves %s and no %s", ErrImpossible, d.serves(), r)
		}
	}
	m := &channelMap{size: len(bench.Channels)}
	found := make([]bool, len(bench.Channels))
	for _, c := range d.layout.Channels {
		p := place{at: -1}
		if slices.Contains(asked, roleOf(c.Kind)) {
			if p.at = position(bench, c); p.at < 0 {
				return nil, fmt.Errorf("%w: it sends %s, which the bench file has not", ErrImpossible, c.Name())
			}
			var err error
			if p.num, p.shift, err = convert(c, bench.Channels[p.at].Scale); err != nil {
				return nil, err
			}
			found[p.at] = true
		}
		m.places = append(m.places, p)
	}
	for i, c := range bench.Channels {
		if !found[i] && slices.Contains(asked, roleOf(c.Kind)) {
			return nil, fmt.Errorf("%w: it sends no %s, which the bench file has for the %s", ErrImpossible, c.Name(), roleOf(c.Kind))
		}
	}
	return m, nil
}

// whole reports a driver that serves roles whose channels it does not send.
func (d *Description) whole() error {
	if len(d.Identities) == 0 {
		return fmt.Errorf("%w: it serves no role", ErrImpossible)
	}
	for _, r := range slices.Sorted(maps.Keys(d.Identities)) {
		for _, k := range roleKinds[r] {
			if k != drivers.BoxCurrent && k != drivers.Temperature && d.layout.Find(k) < 0 {
				return fmt.Errorf("%w: it serves the %s and sends no %s", ErrImpossible, r, k)
			}
		}
	}
	return nil
}

func (d *Description) serves() string {
	var list []string
	for _, r := range slices.Sorted(maps.Keys(d.Identities)) {
		list = append(list, r.String())
	}
	if len(list) == 0 {
		return "nothing"
	}
	return strings.Join(list, ", ")
}

// position returns where a channel stands in the bench's frames, or -1.
func position(l *drivers.Layout, c drivers.Channel) int {
	return slices.IndexFunc(l.Channels, func(b drivers.Channel) bool { return b.Kind == c.Kind && b.Index == c.Index })
}

// convert returns the whole numbers that turn a driver's count into the
// bench's. Counters and state bits have no scale to convert.
func convert(c drivers.Channel, to drivers.Scale) (num, shift int64, err error) {
	from := c.Scale
	if from == to {
		return 1, 0, nil
	}
	bad := fmt.Errorf("%w: %s comes at %d/%d%+d, the bench file says %d/%d%+d: not every count has a whole one there; let the bench file say the driver's step",
		ErrImpossible, c.Name(), from.Num, from.Den, from.Offset, to.Num, to.Den, to.Offset)
	if c.Kind >= drivers.BoxState {
		return 0, 0, bad
	}
	// Parts of a scale are at most 31 bits (layoutFromWire); the bench file's
	// are steps of its own making.
	up, down := from.Num*to.Den, from.Den*to.Num
	way := from.Offset - to.Offset
	if up%down != 0 || way > math.MaxInt32 || way < -math.MaxInt32 || way*to.Den%to.Num != 0 {
		return 0, 0, bad
	}
	return up / down, way * to.Den / to.Num, nil
}

// counts returns the bench's counts of a driver's. A value that has no count
// there is no reading: unsafe, and never another value (INV-02).
func (m *channelMap) counts(got []int32) []int32 {
	if m == nil {
		return got
	}
	out := make([]int32, m.size)
	for i := range out {
		out[i] = drivers.NoReading
	}
	for i, p := range m.places {
		if p.at < 0 || got[i] == drivers.NoReading || p.num > math.MaxInt32 {
			continue
		}
		if n := int64(got[i])*p.num + p.shift; n > math.MinInt32 && n <= math.MaxInt32 {
			out[p.at] = int32(n)
		}
	}
	return out
}

// channel returns the bench's position of a driver's channel.
func (m *channelMap) channel(i int) int {
	if m == nil || i < 0 {
		return i
	}
	return m.places[i].at
}
