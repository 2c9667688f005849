package machine

import "github.com/rigwarden/rigwarden/drivers"

// holding lowers and raises the current so that the highest cell (charging) or
// the lowest (discharging) stays at its target.
//
// Each cell's voltage is taken apart into what follows the current at once, R*I
// with one R for all, and the rest u, which moves slowly. u and its rate are
// tracked per cell, so that the highest cell is sought among averages: the
// highest of many noisy readings would stand above every cell, and the current
// too low. The current that fits is the one whose predicted voltage, when a
// command will have reached the output, is the target for the cell that has
// least room. Because u is made of the measured voltage and the measured
// current, neither a delay nor an error in R moves where the loop settles, and
// a command need not wait for the one before.
//
// Everything is written for charging; for discharging voltages change sign.
type holding struct {
	active bool // the current is under its ceiling because of the target
	rising bool // a greater current fits and is on its way
	falls  bool // the latest command lowered the current
	// fits is the greatest current that keeps every cell at or under its target.
	fits drivers.Microamps

	// R is measured at the drive's own first edge: over all cells, from the mean
	// voltage before (rest, at i0) to that of some readings after.
	r        drivers.Microohms
	learning int // readings after the edge still to come, 0: done
	rest     int64
	i0       drivers.Microamps
	sum, amp int64 // of the readings after the edge

	track  []tracked
	excess drivers.Microamps // what the instrument gives over its setting, by the shunt
	lead   int64             // rate of the cell with least room, tracked.rate's unit
	prevI  drivers.Microamps // of the frame before
	at     drivers.Instant   // of the latest frame taken in
	since  drivers.Instant   // the trackers know nothing from before
	sentAt drivers.Instant
}

// tracked is one cell's u, in 1/1024 uV, and its rate, in 1/1024 uV per tick.
type tracked struct{ u, rate int64 }

const (
	// fine is the trackers' fixed point; tick, the second of the rates, is about
	// a real one, so that the gains need no division.
	fine = 1024
	tick = 1 << 20 // us

	// holdSlack is what the control may be wrong by, uV. It says how long the
	// trackers may average (a mean is late by what moved while it was taken), how
	// far a cell must read over its target before a lower current is sent at once,
	// and how much voltage a moving current may leave undecided in a frame.
	holdSlack = 2_000
	// averageMost is the most readings that are averaged: noise then shows a
	// ninth, and more would make the control deaf for longer than a cell's own
	// fast relaxation takes.
	averageMost = 100
	// averageLeast is the fewest: under that a rate is nothing but noise.
	averageLeast = 5
	// learnReadings after the edge are averaged for R: more would count the
	// cells' relaxation in.
	learnReadings = 3
	// firstPart: the first current takes a quarter of the room that the plan's R
	// shows. The R of a file may be half of the true one, and the other half is
	// left for what relaxes until the next command.
	firstPart = 4
)

func (h *holding) begin(m *Machine) {
	track := h.track[:0]
	for range m.meas.cell {
		track = append(track, tracked{})
	}
	*h = holding{
		r: m.plan.CellResistance, track: track, learning: learnReadings,
		rest: h.mean(m), i0: abs(m.meas.current), prevI: abs(m.meas.current),
	}
}

// mirror turns a voltage so that more current always raises it.
func (m *Machine) mirror(v drivers.Microvolts) int64 {
	if m.drive.ins.Direction == Discharging {
		return -int64(v)
	}
	return int64(v)
}

// worst is the cell that stands nearest to its target, or farthest past it.
func (h *holding) worst(m *Machine) int64 {
	if m.drive.ins.Direction == Discharging {
		return m.mirror(m.meas.low)
	}
	return m.mirror(m.meas.high)
}

func (h *holding) mean(m *Machine) int64 {
	return m.mirror(m.meas.sum) / int64(max(1, len(m.meas.cell)))
}

// first is the current to begin with: R is not yet known.
func (h *holding) first(m *Machine) drivers.Microamps {
	room := m.mirror(m.drive.ins.Hold) - h.worst(m)
	i := drivers.Microamps(room * 1_000_000 / (firstPart * int64(h.r)))
	step := m.power(m.drive.ins.Direction).CurrentStep
	if i < step && int64(step)*int64(h.r) < room*1_000_000/2 {
		return step // the instrument has nothing less, and twice as much would fit
	}
	return i / step * step
}

// next is the current to command now.
func (h *holding) next(m *Machine, ceiling drivers.Microamps) drivers.Microamps {
	spec, b := m.power(m.drive.ins.Direction), &m.plan.Bench
	h.learn(m)
	h.follow(m)
	h.compare(m)
	gap := max(b.Monitor.Period, spec.Delay/2)
	theta := spec.Delay + b.Monitor.Period + b.Monitor.Window
	// What is sent now must be right until the next command can be.
	h.fits = h.find(m, theta+gap)

	now, step := m.cmd.current, spec.CurrentStep
	next := now
	h.rising = false
	switch {
	case now > ceiling:
		next = min(ceiling, h.fits)
	case h.fits < now:
		next = h.lower(m, now, step, gap)
	case now < ceiling:
		next = min(h.raise(m, now, step, theta+2*averageLeast*b.Monitor.Period), ceiling)
	}
	next = next / step * step
	h.active = h.active || h.fits < ceiling && h.learning == 0
	if next != now {
		h.falls, h.sentAt = next < now, m.now
	}
	if int64(next-now)*int64(h.r)/1_000_000 > holdSlack {
		h.since = m.now // cells relax anew: older rates tell nothing
	}
	return next
}

// lower follows the fitting current down. A change that the instrument's steps
// or a two-hundredth of the current would lose is not worth a command, and
// commands come no faster than twice in a delay, which a slow instrument may
// need for each; a cell that reads over its target does not wait.
func (h *holding) lower(m *Machine, now, step drivers.Microamps, gap drivers.Span) drivers.Microamps {
	want := h.fits / step * step
	over := h.worst(m) > m.mirror(m.drive.ins.Hold)+holdSlack
	if now-want < max(step, now/200) || m.now.Sub(h.sentAt) < gap && !over {
		return now
	}
	return want
}

// raise goes half the way up, so that what relaxes after a rise still has room,
// and only once the last command shows and the trackers have seen what follows
// it: that is how long nothing will be known of this rise either, so the room
// is what will be left after as long. It takes a step and a half of room: at
// the edge of a step noise would send the command to and fro. Against a fall it
// takes two steps, a fiftieth of the current and what one step of the taps may
// feign, for a hold by its nature only falls.
func (h *holding) raise(m *Machine, now, step drivers.Microamps, wait drivers.Span) drivers.Microamps {
	least := max(3*step/2, now/200)
	if h.falls {
		feigned := drivers.Microamps(int64(m.plan.Bench.Monitor.CellStep) * 1_000_000 / int64(h.r))
		least = max(2*step, now/50, feigned)
	}
	room := h.find(m, 2*wait) - now
	if room < least {
		return now
	}
	h.rising = true
	if h.learning > 0 || m.now.Sub(h.sentAt) < wait {
		return now
	}
	return now + max(room/2, step)
}

// learn measures R at the drive's own edge, once current has surely arrived,
// within what the plan's value makes credible: resistance goes up fourfold in
// the cold.
func (h *holding) learn(m *Machine) {
	if h.learning == 0 || m.now.Sub(m.drive.setAt) < m.response(m.cmd.current) {
		return
	}
	h.sum += h.mean(m)
	h.amp += int64(abs(m.meas.current))
	if h.learning--; h.learning > 0 {
		return
	}
	rise := drivers.Microamps(h.amp/learnReadings) - h.i0
	volts := h.sum/learnReadings - h.rest
	// NearZero is twice the worst sensor's offset, which a difference does not
	// even hold; a few steps of voltage are the mean of many cells' readings.
	if rise < m.plan.Limits.NearZero/2 || volts < 4*int64(m.plan.Bench.Monitor.CellStep) {
		return
	}
	base := int64(m.plan.CellResistance)
	r := volts * 1_000_000 / int64(rise)
	h.r = drivers.Microohms(min(max(r, base/4), 4*base))
	h.at = 0 // u has a new meaning; the trackers begin again
}

// follow brings the cells' u and rates up to the latest frame. While current
// moves, a cell and the shunt were not read at the same current: where that
// leaves much undecided the trackers go on by their rates.
func (h *holding) follow(m *Machine) {
	i := abs(m.meas.current)
	drop := int64(h.r) * int64(i) / 1_000_000
	moving := int64(h.r)*int64(abs(i-h.prevI))/1_000_000 > holdSlack/2
	h.prevI = i
	dt := int64(m.meas.at.Sub(h.at))
	if h.at == 0 || dt <= 0 {
		h.at, h.since, h.lead = m.meas.at, m.meas.at, 0
		for k, v := range m.meas.cell {
			h.track[k] = tracked{u: (m.mirror(v) - drop) * fine}
		}
		return
	}
	h.at = m.meas.at
	alpha, beta := h.gains(m, dt)
	for k, v := range m.meas.cell {
		t := &h.track[k]
		t.u += t.rate * dt / tick
		if moving {
			continue
		}
		off := (m.mirror(v)-drop)*fine - t.u
		t.u += off * alpha / tick
		t.rate += off * beta / dt
	}
}

// compare finds by how much the instrument misses its setting, once the latest
// one surely shows: what fits by the shunt is to be set less that, or a coarse
// instrument that gives more would hold its cell over the target.
func (h *holding) compare(m *Machine) {
	now := m.cmd.current
	if m.now.Sub(max(h.sentAt, m.drive.setAt)) < m.response(now) {
		return
	}
	off := abs(m.meas.current) - now
	most := drivers.Microamps(m.power(m.drive.ins.Direction).CurrentAcc.At(int64(now)) + m.plan.Bench.Monitor.CurrentAcc.At(int64(now)))
	h.excess += (min(max(off, -most), most) - h.excess) / 8 // noise of one reading counts little
}

// gains are those of a critically damped alpha-beta tracker, in parts of tick,
// that averages over the time in which the leading cell moves by holdSlack, or
// by an eighth of what the current drops, whichever is less: a mean over a part
// x of the time in which a held current decays is late by about x squared of
// that drop, here under 2 %.
func (h *holding) gains(m *Machine, dt int64) (alpha, beta int64) {
	period := int64(m.plan.Bench.Monitor.Period)
	// Half of what was seen since the last upset: the other half is the upset's.
	span := min(int64(h.at.Sub(h.since))/2, averageMost*period)
	if rate := abs(h.lead); rate > 0 {
		drop := int64(h.r) * int64(h.prevI) / 1_000_000
		span = min(span, max(holdSlack/8, min(holdSlack, drop/8))*fine*tick/rate)
	}
	span = max(span, averageLeast*period)
	alpha = tick * dt / (dt + span)
	return alpha, alpha * alpha / (2*tick - alpha)
}

// find looks for the cell with the least room ahead and returns the current that
// uses it up, as the instrument is to be told.
func (h *holding) find(m *Machine, ahead drivers.Span) drivers.Microamps {
	var least int64
	target := m.mirror(m.drive.ins.Hold) * fine
	for k := range h.track {
		t := &h.track[k]
		room := target - t.u - t.rate*int64(ahead)/tick
		if k == 0 || room < least {
			least, h.lead = room, t.rate
		}
	}
	return max(0, drivers.Microamps(max(0, least)*1_000_000/(fine*int64(h.r)))-h.excess)
}
