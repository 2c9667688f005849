package machine

import "github.com/rigwarden/rigwarden/drivers"

// holding lowers and raises the current so that the highest cell (charging) or
// the lowest (discharging) stays at its target.
//
// A cell's voltage is taken apart into what follows the current at once, R*I,
// and the rest u, which moves slowly. u and its rate are tracked by an
// alpha-beta filter; the current is the one whose predicted voltage, when the
// command will have reached the output, is the target. Because u is computed
// from the measured voltage and current, an error in R only changes how fast
// the loop settles, not where. It moves both ways, so that noise does not
// ratchet the current down.
//
// Everything is written for charging; for discharging voltages change sign.
type holding struct {
	active  bool // the current is under its ceiling because of the target
	learned bool // r was measured at this drive's own edge
	floor   int  // fresh frames in a row in which no current fits
	r       drivers.Microohms
	w0      int64 // at rest, uV
	i0      drivers.Microamps
	// u in uV and du in uV/s, both times 1024.
	u, du  int64
	at     drivers.Instant
	sentAt drivers.Instant
}

// q is the fixed-point factor of the filter.
const q = 1024

func (h *holding) begin(m *Machine) {
	*h = holding{r: m.plan.CellResistance, w0: h.voltage(m), i0: abs(m.meas.current)}
}

// voltage is the controlling cell's, mirrored for discharge.
func (h *holding) voltage(m *Machine) int64 {
	if m.drive.ins.Direction == Discharging {
		return -int64(m.meas.low)
	}
	return int64(m.meas.high)
}

func (h *holding) target(m *Machine) int64 {
	if m.drive.ins.Direction == Discharging {
		return -int64(m.drive.ins.Hold)
	}
	return int64(m.drive.ins.Hold)
}

// first is the current to begin with: half of what the plan's resistance would
// allow, because R is not yet known.
func (h *holding) first(m *Machine) drivers.Microamps {
	return drivers.Microamps((h.target(m) - h.w0) * 1_000_000 / (2 * int64(h.r)))
}

// next is the current to command now.
func (h *holding) next(m *Machine, ceiling drivers.Microamps) drivers.Microamps {
	spec := m.power(m.drive.ins.Direction)
	theta := spec.Delay + m.plan.Bench.Monitor.Period + m.plan.Bench.Monitor.Window
	w, i := h.voltage(m), abs(m.meas.current)
	h.learn(m, w, i)
	h.track(m.meas.at, w, i, max(2*drivers.Second, 4*theta))

	ahead := h.u + h.du*int64(theta)/int64(drivers.Second)
	want := drivers.Microamps((h.target(m)*q - ahead) / q * 1_000_000 / int64(h.r))
	if h.floor++; want > 0 {
		h.floor = 0
	}
	want = max(want, spec.CurrentStep)
	if want < ceiling {
		h.active = true
	}
	want = min(want, ceiling) / spec.CurrentStep * spec.CurrentStep
	return h.damp(m, want, theta, spec.CurrentStep)
}

// learn measures R at the drive's own edge, once current has arrived, within
// what the plan's value makes credible.
func (h *holding) learn(m *Machine, w int64, i drivers.Microamps) {
	if h.learned || m.drive.edge == 0 || i < m.cmd.current/10*9 || i-h.i0 < 10*m.plan.Limits.NearZero {
		return
	}
	h.learned = true
	base := int64(m.plan.CellResistance)
	r := (w - h.w0) * 1_000_000 / int64(i-h.i0)
	h.r = drivers.Microohms(min(max(r, base/2), 3*base))
	h.at = 0 // u has a new meaning; start the filter again
}

// track updates u and its rate.
func (h *holding) track(at drivers.Instant, w int64, i drivers.Microamps, span drivers.Span) {
	now := (w - int64(h.r)*int64(i)/1_000_000) * q
	if h.at == 0 || at <= h.at {
		h.u, h.du, h.at = now, 0, at
		return
	}
	dt := int64(at.Sub(h.at))
	h.at = at
	alpha := q * dt / (dt + int64(span))
	beta := alpha * alpha / (2*q - alpha)
	h.u += h.du * dt / int64(drivers.Second)
	res := now - h.u
	h.u += res * alpha / q
	h.du += res * beta / q * int64(drivers.Second) / dt
}

// damp keeps the command still while the change would be lost in the supply's
// steps, and gives each command time to take effect before the next. A cell
// over its target does not wait.
func (h *holding) damp(m *Machine, want drivers.Microamps, theta drivers.Span, step drivers.Microamps) drivers.Microamps {
	now := m.cmd.current
	least := max(step, now/200)
	if abs(want-now) < least {
		return now
	}
	over := h.voltage(m) > h.target(m)+holdSlack
	if m.now.Sub(h.sentAt) < theta && !(over && want < now) {
		return now
	}
	h.sentAt = m.now
	return want
}

// holdSlack is how far over its target a cell must read before a lower
// current is sent without waiting for the one before to take effect.
const holdSlack = 2_000 // uV
