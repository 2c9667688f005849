package machine

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
)

// measure holds what the latest frame says, in base units. ok flags say which
// of it was read; a stale channel is the guard's to find.
type measure struct {
	layout *drivers.Layout
	at     drivers.Instant // of the latest frame

	// fresh says that the monitor really measured since the frame before.
	fresh bool
	beat  int32
	// sampled is the instant of the latest fresh monitor reading.
	sampled drivers.Instant

	current      drivers.Microamps
	currentOK    bool
	boxCurrent   drivers.Microamps
	boxFresh     bool
	boxCurrentOK bool
	boxBeat      int32

	voltage, link     drivers.Microvolts
	voltageOK, linkOK bool
	// metered is when the meter's counter last moved.
	metered   drivers.Instant
	meterBeat int32

	box, supply, load       int32
	boxOK, supplyOK, loadOK bool

	cell              []drivers.Microvolts // each, of the latest whole reading
	highest, lowest   int                  // cell indexes
	high, low         drivers.Microvolts
	cellsOK           bool
	hottest, coldest  drivers.Millikelvins
	tempsOK           bool
	sum               drivers.Microvolts
	quiet             int // fresh readings in a row with no current
	chCurrent, chVolt int
	chLink, chBoxI    int
	chBox, chSup, chL int
	chBeat, chBoxBeat int
	chMeterBeat       int

	ctx guard.Context // reused, so that a frame allocates nothing
}

func newMeasure(p *Plan) measure {
	l := &p.Layout
	return measure{
		layout: l, beat: drivers.NoReading, boxBeat: drivers.NoReading, meterBeat: drivers.NoReading,
		cell:      make([]drivers.Microvolts, l.Cells()),
		chCurrent: l.Find(drivers.ModuleCurrent), chVolt: l.Find(drivers.ModuleVoltage),
		chLink: l.Find(drivers.LinkVoltage), chBoxI: l.Find(drivers.BoxCurrent),
		chBox: l.Find(drivers.BoxState), chSup: l.Find(drivers.SupplyState), chL: l.Find(drivers.LoadState),
		chBeat: l.Find(drivers.MonitorBeat), chBoxBeat: l.Find(drivers.BoxBeat),
		chMeterBeat: l.Find(drivers.MeterBeat),
	}
}

// value reads one channel.
func (s *measure) value(f *drivers.Frame, ch int) (int64, bool) {
	if ch < 0 || ch >= len(f.Counts) || f.Counts[ch] == drivers.NoReading {
		return 0, false
	}
	return s.layout.Channels[ch].Scale.Value(f.Counts[ch]), true
}

func (s *measure) bits(f *drivers.Frame, ch int) (int32, bool) {
	v, ok := s.value(f, ch)
	return int32(v), ok
}

// lose forgets everything that was measured: silence.
func (s *measure) lose() {
	s.fresh, s.currentOK, s.boxCurrentOK, s.boxFresh = false, false, false, false
	s.voltageOK, s.linkOK, s.boxOK, s.supplyOK, s.loadOK = false, false, false, false, false
	s.cellsOK, s.tempsOK, s.quiet = false, false, 0
}

// measure takes a frame in and counts charge and energy.
func (m *Machine) measure(f *drivers.Frame) {
	s := &m.meas
	if len(f.Counts) != len(s.layout.Channels) {
		s.lose()
		return
	}
	beat, ok := s.bits(f, s.chBeat)
	s.fresh = ok && beat != s.beat
	if ok {
		s.beat = beat
	}
	boxBeat, ok := s.bits(f, s.chBoxBeat)
	s.boxFresh = ok && boxBeat != s.boxBeat
	if ok {
		s.boxBeat = boxBeat
	}
	s.at = f.At

	if beat, ok := s.bits(f, s.chMeterBeat); ok && beat != s.meterBeat {
		s.meterBeat, s.metered = beat, f.At
	}
	v, ok := s.value(f, s.chVolt)
	s.voltage, s.voltageOK = drivers.Microvolts(v), ok
	v, ok = s.value(f, s.chLink)
	s.link, s.linkOK = drivers.Microvolts(v), ok
	v, ok = s.value(f, s.chBoxI)
	s.boxCurrent, s.boxCurrentOK = drivers.Microamps(v), ok
	s.box, s.boxOK = s.bits(f, s.chBox)
	s.supply, s.supplyOK = s.bits(f, s.chSup)
	s.load, s.loadOK = s.bits(f, s.chL)
	v, ok = s.value(f, s.chCurrent)
	s.current, s.currentOK = drivers.Microamps(v), ok
	if s.fresh {
		s.sampled = f.At
		s.cells(f)
		s.temps(f)
		m.count.add(f.At, s.current, s.voltage, s.currentOK && s.voltageOK)
	}
	if s.fresh || !s.currentOK {
		if s.currentOK && abs(s.current) <= m.plan.Limits.NearZero {
			s.quiet++
		} else {
			s.quiet = 0
		}
	}
}

func (s *measure) cells(f *drivers.Frame) {
	s.cellsOK = true
	s.sum = 0
	for i := range s.layout.Cells() {
		v, ok := s.value(f, i)
		if !ok {
			s.cellsOK = false
			continue
		}
		u := drivers.Microvolts(v)
		s.sum += u
		s.cell[i] = u
		if i == 0 || u > s.high {
			s.high, s.highest = u, i
		}
		if i == 0 || u < s.low {
			s.low, s.lowest = u, i
		}
	}
}

func (s *measure) temps(f *drivers.Frame) {
	s.tempsOK = s.layout.Temps() > 0
	for i := range s.layout.Temps() {
		v, ok := s.value(f, s.layout.Temp(i))
		if !ok {
			s.tempsOK = false
			continue
		}
		t := drivers.Millikelvins(v)
		if i == 0 || t > s.hottest {
			s.hottest = t
		}
		if i == 0 || t < s.coldest {
			s.coldest = t
		}
	}
}

// still says that no current flows, on fresh readings.
func (s *measure) still() bool { return s.quiet >= 2 }

// counter integrates charge and energy by the trapezoidal rule over the
// instants at which the monitor really measured. Remainders are carried, so
// that rounding never accumulates.
type counter struct {
	at        drivers.Instant
	current   drivers.Microamps
	powerMW   int64
	charge    drivers.Charge
	energy    drivers.Energy
	chargeRem int64
	energyRem int64
}

func (c *counter) add(at drivers.Instant, i drivers.Microamps, v drivers.Microvolts, ok bool) {
	if !ok {
		// The guard has found it; nothing is counted across a hole.
		c.at = 0
		return
	}
	// uV/1000 is mV; mV*uA is nW: 1e6 nW to the mW.
	power := int64(v) / 1000 * int64(i) / 1_000_000
	if c.at != 0 && at > c.at {
		dt := int64(at - c.at)
		// uA*us is 1e-3 nC; mW*us is 1e-3 uJ; the mean of two halves it again.
		q := (int64(c.current)+int64(i))*dt + c.chargeRem
		c.charge += drivers.Charge(q / 2000)
		c.chargeRem = q % 2000
		w := (c.powerMW+power)*dt + c.energyRem
		c.energy += drivers.Energy(w / 2000)
		c.energyRem = w % 2000
	}
	c.at, c.current, c.powerMW = at, i, power
}

func abs[T ~int64](v T) T {
	if v < 0 {
		return -v
	}
	return v
}
