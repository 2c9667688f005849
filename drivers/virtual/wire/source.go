package wire

import (
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// source is a supply's or a load's registers. Each is set on its own, as on a
// front panel, and an output may be switched on with whatever they hold: nothing
// here knows of arming.
type source struct {
	device virtual.Device
	spec   drivers.PowerSpec

	volt, amp     int64 // setpoints, uV and uA
	overVolt      int64 // own limits
	overAmp       int64
	voltOn, ampOn bool  // whether the limits are in force
	silence       int64 // communication timeout, us; 0: none
	on            bool
}

// unlimited stands for a limit that is not in force: beyond what any output
// gives, and small enough to compute with.
const unlimited = 1e15

func newSource(d virtual.Device, spec drivers.PowerSpec) *source {
	s := &source{device: d, spec: spec}
	s.defaults()
	return s
}

// defaults are the values of *RST: off, nothing set, protections wide and in
// force.
func (s *source) defaults() {
	s.volt, s.amp, s.silence, s.on = 0, 0, 0, false
	s.overVolt, s.overAmp = int64(s.spec.VoltageMax), int64(s.spec.CurrentMax)
	s.voltOn, s.ampOn = true, true
}

// protect puts the registers of the own limits in force.
func (s *source) protect(b *virtual.Bench) {
	l := drivers.Protection{VoltageMax: unlimited, CurrentMax: unlimited, CommTimeout: drivers.Span(s.silence)}
	if s.voltOn {
		l.VoltageMax = drivers.Microvolts(s.overVolt)
	}
	if s.ampOn {
		l.CurrentMax = drivers.Microamps(s.overAmp)
	}
	b.Panel(s.device).Limit(l)
}

// apply sends the registers to the output.
func (s *source) apply(b *virtual.Bench) {
	b.Panel(s.device).Apply(drivers.Setpoint{
		Voltage: drivers.Microvolts(s.volt), Current: drivers.Microamps(s.amp), On: s.on,
	})
}

// latched are the states after which the output stays off until they are cleared.
const latched = drivers.PowerTripped | drivers.PowerLeaseOut | drivers.PowerFault

// follow keeps up with what the instrument did by itself.
func (s *source) follow(b *virtual.Bench) {
	if b.Panel(s.device).State()&latched != 0 {
		s.on = false
	}
}

// Bits of the questionable status (SCPI-1999 vol. 2, 20.3: 0 and 1 say that
// voltage and current are not regulated, 4 is temperature, 9 to 12 are the
// instrument's own) and of the operation status (8 and 10: common practice, no
// source).
const (
	questionVoltage     = 1 << 0
	questionCurrent     = 1 << 1
	questionTemperature = 1 << 4
	questionOverVoltage = 1 << 9
	questionOverCurrent = 1 << 10
	questionSilence     = 1 << 11

	operateVoltage = 1 << 8
	operateCurrent = 1 << 10
)

// conditions brings the status up to date.
func (s *source) conditions(b *virtual.Bench, st *status) {
	p := b.Panel(s.device)
	state := p.State()
	var question, operate uint16
	set := func(on bool, where *uint16, bit uint16) {
		if on {
			*where |= bit
		}
	}
	on, holding := state&drivers.PowerOn != 0, state&drivers.PowerVoltage != 0
	supply := s.device == virtual.DeviceSupply
	set(on && holding, &question, questionCurrent)
	set(on && !holding && supply, &question, questionVoltage)
	set(on && holding, &operate, operateVoltage)
	set(on && !holding, &operate, operateCurrent)
	set(state&drivers.PowerFault != 0, &question, questionTemperature)
	set(s.overVoltage(b), &question, questionOverVoltage)
	set(s.overCurrent(b), &question, questionOverCurrent)
	set(state&drivers.PowerLeaseOut != 0, &question, questionSilence)
	st.questionable.now(question)
	st.operation.now(operate)
}

func (s *source) tripped(b *virtual.Bench) bool {
	return b.Panel(s.device).State()&drivers.PowerTripped != 0
}
func (s *source) overVoltage(b *virtual.Bench) bool {
	return s.tripped(b) && b.Panel(s.device).OverVoltage()
}
func (s *source) overCurrent(b *virtual.Bench) bool {
	return s.tripped(b) && !b.Panel(s.device).OverVoltage()
}

// newPower is a supply or an electronic load.
func newPower(d virtual.Device, spec drivers.PowerSpec, r *recorder) *instrument {
	s := newSource(d, spec)
	in := &instrument{device: d, source: s, status: status{event: eventPowerOn}, record: r}
	in.look = func(b *virtual.Bench) {
		s.follow(b)
		s.conditions(b, &in.status)
	}
	in.restart = func(b *virtual.Bench) {
		in.status = status{event: eventPowerOn}
		s.defaults()
		s.protect(b)
	}
	in.reset = func(b *virtual.Bench) {
		s.defaults()
		s.protect(b)
		s.apply(b)
	}
	list := append(systemCommands(), s.levels()...)
	list = append(list, s.protections()...)
	list = append(list, s.timeout()...)
	list = append(list, s.measurements()...)
	in.tree = newTree(append(list, s.output()...))
	return in
}

// register makes a command of a numeric register, rounded to a step.
func register(header string, at *int64, q quantity, step int64, b bounds, changed func(*virtual.Bench)) command {
	return command{header: header,
		set: func(c *call) *scpiError {
			v, err := c.number(q, b)
			if err != nil {
				return err
			}
			step := max(step, 1)
			*at = (v + step/2) / step * step
			changed(c.b)
			return nil
		},
		query: func(c *call) (string, *scpiError) {
			if len(c.params) == 0 {
				return nr3(*at, 1e6), nil
			}
			v, ok := b.keyword(c.params[0].text)
			if !ok || c.params[0].kind != characterData {
				return "", fault(-224)
			}
			return nr3(v, 1e6), nil
		},
	}
}

// flag makes a command of a switch.
func flag(header string, at *bool, changed func(*virtual.Bench)) command {
	return command{header: header,
		set: func(c *call) *scpiError {
			on, err := c.boolean()
			if err == nil {
				*at = on
				changed(c.b)
			}
			return err
		},
		query: func(*call) (string, *scpiError) { return truth(*at), nil },
	}
}

// levels are the setpoints. A load's voltage is the one under which it stops
// drawing.
func (s *source) levels() []command {
	changed := func(b *virtual.Bench) {
		if s.on {
			s.apply(b)
		}
	}
	voltage := "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]"
	if s.device == virtual.DeviceLoad {
		voltage = "[SOURce]:VOLTage:LIMit:LOW"
	}
	list := []command{
		register(voltage, &s.volt, volts, int64(s.spec.VoltageStep), bounds{0, int64(s.spec.VoltageMax), 0}, changed),
		register("[SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]", &s.amp, amperes, int64(s.spec.CurrentStep), bounds{0, int64(s.spec.CurrentMax), 0}, changed),
	}
	if s.device == virtual.DeviceLoad {
		list = append(list, command{header: "[SOURce]:FUNCtion:MODE",
			set: func(c *call) *scpiError {
				switch {
				case len(c.params) == 0:
					return fault(-109)
				case c.params[0].kind != characterData:
					return fault(-104)
				case !strings.EqualFold(c.params[0].text, "CURR") && !strings.EqualFold(c.params[0].text, "CURRent"):
					return fault(-224, "it draws a constant current and nothing else")
				}
				return nil
			},
			query: func(*call) (string, *scpiError) { return "CURR", nil },
		})
	}
	return list
}

// protections are the instrument's own limits.
func (s *source) protections() []command {
	list := []command{
		register("[SOURce]:VOLTage:PROTection[:LEVel]", &s.overVolt, volts, int64(s.spec.VoltageStep),
			bounds{0, int64(s.spec.VoltageMax), int64(s.spec.VoltageMax)}, s.protect),
		register("[SOURce]:CURRent:PROTection[:LEVel]", &s.overAmp, amperes, int64(s.spec.CurrentStep),
			bounds{0, int64(s.spec.CurrentMax), int64(s.spec.CurrentMax)}, s.protect),
		flag("[SOURce]:VOLTage:PROTection:STATe", &s.voltOn, s.protect),
		flag("[SOURce]:CURRent:PROTection:STATe", &s.ampOn, s.protect),
	}
	for header, tripped := range map[string]func(*virtual.Bench) bool{
		"[SOURce]:VOLTage:PROTection": s.overVoltage,
		"[SOURce]:CURRent:PROTection": s.overCurrent,
	} {
		list = append(list,
			command{header: header + ":TRIPped", query: func(c *call) (string, *scpiError) { return truth(tripped(c.b)), nil }},
			command{header: header + ":CLEar", set: func(c *call) *scpiError {
				err := nothing(c)
				if err == nil && tripped(c.b) {
					c.b.Panel(s.device).Clear(drivers.PowerTripped)
				}
				return err
			}},
		)
	}
	return list
}

// nothing demands that a command comes without parameters.
func nothing(c *call) *scpiError {
	if len(c.params) > 0 {
		return fault(-108)
	}
	return nil
}

// timeout is the communication timeout, which SCPI-1999 does not know; the shipped
// dialects name it.
func (s *source) timeout() []command {
	if s.spec.CommTimeout <= 0 {
		return nil
	}
	const header = "SYSTem:COMMunicate:TIMeout"
	return []command{
		register(header, &s.silence, seconds, int64(drivers.Millisecond), bounds{0, int64(s.spec.CommTimeout), 0}, s.protect),
		{header: header + ":TRIPped", query: func(c *call) (string, *scpiError) {
			return truth(c.b.Panel(s.device).State()&drivers.PowerLeaseOut != 0), nil
		}},
		{header: header + ":CLEar", set: func(c *call) *scpiError {
			err := nothing(c)
			if err == nil {
				c.b.Panel(s.device).Clear(drivers.PowerLeaseOut)
			}
			return err
		}},
		{header: "SYSTem:REMote", set: nothing},
		{header: "SYSTem:LOCal", set: nothing},
	}
}

// measurements ask the instrument's meters.
func (s *source) measurements() []command {
	voltage := func(c *call) (string, *scpiError) {
		return reading(c.b.Panel(s.device).Measure().Voltage, float64(s.spec.VoltageStep)), nil
	}
	current := func(c *call) (string, *scpiError) {
		return reading(c.b.Panel(s.device).Measure().Current, float64(s.spec.CurrentStep)), nil
	}
	power := func(c *call) (string, *scpiError) {
		r := c.b.Panel(s.device).Measure()
		if r.Voltage == noReading || r.Current == noReading {
			return notANumber, nil
		}
		uV, uA := float64(r.Voltage)*float64(s.spec.VoltageStep), float64(r.Current)*float64(s.spec.CurrentStep)
		return nr3(int64(uV*uA/1e6), 1e6), nil
	}
	var list []command
	for _, how := range []string{"MEASure", "READ", "FETCh"} {
		list = append(list,
			command{header: how + "[:SCALar][:VOLTage][:DC]", query: voltage},
			command{header: how + "[:SCALar]:CURRent[:DC]", query: current},
			command{header: how + "[:SCALar]:POWer[:DC]", query: power},
		)
	}
	return list
}

// output switches on and off.
func (s *source) output() []command {
	header := "OUTPut[:STATe]"
	if s.device == virtual.DeviceLoad {
		header = "INPut[:STATe]"
	}
	return []command{{header: header,
		set: func(c *call) *scpiError {
			on, err := c.boolean()
			if err != nil {
				return err
			}
			if state := c.b.Panel(s.device).State() & latched; on && state != 0 {
				return fault(-221, whyNot(state))
			}
			s.on = on
			s.apply(c.b)
			return nil
		},
		query: func(*call) (string, *scpiError) { return truth(s.on), nil },
	}}
}

func whyNot(state int32) string {
	switch {
	case state&drivers.PowerFault != 0:
		return "hardware fault"
	case state&drivers.PowerLeaseOut != 0:
		return "communication timeout ran out; clear it first"
	}
	return "a protection has tripped; clear it first"
}
