package rehearse

import "github.com/rigwarden/rigwarden/drivers"

// A profile of a day makes 200,000 routine commits a run, and nearly all of them
// find a sound disk and a process that lives on. A long profile's process makes
// few of these while neither can fail before the next one, and as many as a live
// bench's wherever one can: around a kill, and from before a store's fault until
// it is put right. What must be durable at once is so always, and a judge finds
// the same frames and lines in the file.
const (
	longLeast  = 2 * drivers.Hour // of a long profile
	calmEvery  = 10 * drivers.Second
	calmBefore = 15 * drivers.Second // what may fail by an instant
	calmCalls  = 50_000              // the same in calls: hours, or a minute of precharging
)

// commits is how far apart routine commits lie at present; 0: as on a live bench.
func (x *rehearsal) commits() drivers.Span {
	if x.t.long && x.calm() {
		return calmEvery
	}
	return 0
}

// calm says that neither disk nor process fails soon, or has failed.
func (x *rehearsal) calm() bool {
	w, soon := x.w, x.w.rig.Now().Add(calmBefore)
	switch d := &x.shelf.disk; {
	case d.fault.Kind != StoreGood && soon >= began.Add(d.fault.At):
	case w.killAt != 0 && w.killAt-w.calls <= calmCalls:
	case w.killWhen != 0 && soon >= w.killWhen:
	default:
		return true
	}
	return false
}
