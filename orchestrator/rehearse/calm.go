package rehearse

import "github.com/rigwarden/rigwarden/drivers"

// A profile of a day makes 200,000 routine commits a run, and nearly all of them
// find a sound disk and a process that lives on. A long profile's process makes
// few of these while neither can fail before the next one, and as many as a live
// bench's wherever one can: around a kill, and from before a store's fault until
// it is put right. What must be durable at once is so always, and a judge finds
// the same frames and lines in the file.
const (
	longLeast  = drivers.Hour // of a long profile
	calmEvery  = drivers.Minute
	calmFrames = 2000   // between commits, whatever the time: precharging makes as many in seconds
	calmCalls  = 50_000 // that surely take longer than calmEvery
)

// commits is how far apart routine commits lie at present; 0: as on a live bench.
func (x *rehearsal) commits() drivers.Span {
	if x.t.calm > 0 && x.sound() {
		return x.t.calm
	}
	return 0
}

// sound says that neither disk nor process fails soon, or has failed, and that
// not too much waits for the disk.
func (x *rehearsal) sound() bool {
	w, l, soon := x.w, x.shelf.current(), x.w.rig.Now().Add(x.t.calm+x.t.calm/4)
	switch d := &x.shelf.disk; {
	case d.fault.Kind != StoreGood && soon >= began.Add(d.fault.At):
	case w.killAt != 0 && w.killAt-w.calls <= calmCalls:
	case w.killWhen != 0 && soon >= w.killWhen:
	case l != nil && len(l.frames)-l.storedFrames > calmFrames:
	default:
		return true
	}
	return false
}
