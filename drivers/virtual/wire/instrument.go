package wire

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// instrument is an SCPI instrument without its wire: it takes a program message
// and gives the response message. It is used only inside virtual.Realtime.Do,
// which makes messages of several connections follow each other.
type instrument struct {
	device virtual.Device
	tree   commands
	status status
	// source is a supply's or a load's registers; nil: a meter.
	source *source
	record *recorder
	// look brings the status conditions up to date; reset is *RST, restart what a
	// power-on does.
	look, reset, restart func(*virtual.Bench)
}

// call is one program message unit under way.
type call struct {
	in     *instrument
	b      *virtual.Bench
	params []param
	// waiting says that an answer to an earlier unit waits to be sent; foreign
	// that the instrument is to say it is another one.
	waiting, foreign bool
}

// number reads the only parameter.
func (c *call) number(q quantity, b bounds) (int64, *scpiError) {
	if len(c.params) == 0 {
		return 0, fault(-109)
	}
	return number(c.params[0], q, b)
}

func (c *call) boolean() (bool, *scpiError) {
	if len(c.params) == 0 {
		return false, fault(-109)
	}
	return boolean(c.params[0])
}

// responseMax bounds a response message: a message that asks for more would wait
// for room in the output queue while nobody reads (IEEE 488.2, 6.3.1.7, from
// memory: query DEADLOCKED; the answers are lost).
const responseMax = 4096

// execute carries out a program message and returns the response message without
// its terminator. A command error ends a message: what stands behind it cannot be
// trusted (IEEE 488.2, 6.1.6.1.1, from memory); after an execution error the rest
// is carried out.
func (in *instrument) execute(b *virtual.Bench, message string, foreign bool) (response string, answered bool) {
	units, bad := parse(message)
	var w walker
	var answers []string
	size, indefinite := 0, false
	for i := range units {
		u := &units[i]
		in.look(b)
		c := &call{in, b, u.params, len(answers) > 0, foreign}
		answer, err := in.do(c, &w, u)
		switch {
		case err == nil && u.query && indefinite:
			err = fault(-440)
		case err == nil && u.query:
			answers = append(answers, answer)
			size += len(answer) + 1
			indefinite = u.common && strings.EqualFold(u.header, "IDN")
		}
		if size > responseMax {
			in.status.fail(fault(-430))
			return "", false
		}
		if err != nil {
			in.status.fail(err)
			if err.event() == eventCommand {
				bad = nil
				break
			}
		}
	}
	if bad != nil {
		in.status.fail(bad)
	}
	in.look(b)
	return strings.Join(answers, ";"), len(answers) > 0
}

// do carries out one unit.
func (in *instrument) do(c *call, w *walker, u *unit) (string, *scpiError) {
	if u.common {
		return in.common(c, u)
	}
	e, err := in.tree.find(w.resolve(u))
	switch {
	case err != nil:
		return "", err
	case u.query && e.query == nil, !u.query && e.set == nil:
		return "", fault(-113, u.header)
	case len(u.params) > 1:
		return "", fault(-108)
	case u.query:
		return e.query(c)
	}
	if in.source != nil {
		in.record.heard(c.b, in.device, u.text)
	}
	return "", e.set(c)
}

// identity is the answer to *IDN? (IEEE 488.2, 10.14): four fields with commas.
func (c *call) identity() string {
	if c.foreign {
		return "elsewhere,some other instrument,0,0"
	}
	id := c.b.Identity(c.in.device)
	return strings.Join([]string{id.Maker, id.Model, id.Serial, id.Firmware}, ",")
}

var bytes8 = bounds{0, 255, 0}

// plainNumber takes no suffix.
var plainNumber = quantity{"": 1}

// common carries out the common commands of IEEE 488.2, clause 10.
func (in *instrument) common(c *call, u *unit) (string, *scpiError) {
	s := &in.status
	name := strings.ToUpper(u.header)
	takes := name == "ESE" || name == "SRE"
	if len(u.params) > 0 && (u.query || !takes) || len(u.params) > 1 {
		return "", fault(-108)
	}
	if u.query {
		return in.commonQuery(c, name)
	}
	switch name {
	case "CLS":
		s.clear()
	case "ESE", "SRE":
		v, err := c.number(plainNumber, bytes8)
		if err != nil {
			return "", err
		}
		if name == "ESE" {
			s.eventEnable = uint16(v)
		} else {
			s.serviceEnable = uint16(v) &^ byteMaster
		}
	case "OPC":
		// Commands are sequential here: nothing is ever pending.
		s.event |= eventComplete
	case "RST":
		if in.source != nil {
			in.record.heard(c.b, in.device, u.text)
		}
		in.reset(c.b)
	case "WAI":
	default:
		return "", fault(-113)
	}
	return "", nil
}

func (in *instrument) commonQuery(c *call, name string) (string, *scpiError) {
	s := &in.status
	switch name {
	case "IDN":
		return c.identity(), nil
	case "ESE":
		return nr1(int64(s.eventEnable)), nil
	case "ESR":
		v := s.event
		s.event = 0
		return nr1(int64(v)), nil
	case "OPC":
		return "1", nil
	case "SRE":
		return nr1(int64(s.serviceEnable)), nil
	case "STB":
		return nr1(int64(s.word(c.waiting))), nil
	case "TST":
		return "0", nil
	}
	return "", fault(-113)
}

// systemCommands are the ones that SCPI-1999 demands of every instrument.
func systemCommands() []command {
	list := []command{
		{header: "SYSTem:ERRor[:NEXT]", query: func(c *call) (string, *scpiError) {
			return c.in.status.errors.pop().String(), nil
		}},
		{header: "SYSTem:ERRor:COUNt", query: func(c *call) (string, *scpiError) {
			return nr1(int64(len(c.in.status.errors.list))), nil
		}},
		{header: "SYSTem:ERRor:ALL", query: func(c *call) (string, *scpiError) {
			q := &c.in.status.errors
			all := []string{q.pop().String()}
			for len(q.list) > 0 {
				all = append(all, q.pop().String())
			}
			return strings.Join(all, ","), nil
		}},
		{header: "SYSTem:VERSion", query: func(*call) (string, *scpiError) { return "1999.0", nil }},
		{header: "STATus:PRESet", set: func(c *call) *scpiError {
			c.in.status.questionable.enable, c.in.status.operation.enable = 0, 0
			return nil
		}},
	}
	for header, which := range map[string]func(*status) *registers{
		"STATus:QUEStionable": func(s *status) *registers { return &s.questionable },
		"STATus:OPERation":    func(s *status) *registers { return &s.operation },
	} {
		list = append(list, statusCommands(header, which)...)
	}
	return list
}

// statusCommands are a status structure's (SCPI-1999 vol. 2, 20).
func statusCommands(header string, which func(*status) *registers) []command {
	return []command{
		{header: header + "[:EVENt]", query: func(c *call) (string, *scpiError) {
			r := which(&c.in.status)
			v := r.event
			r.event = 0
			return nr1(int64(v)), nil
		}},
		{header: header + ":CONDition", query: func(c *call) (string, *scpiError) {
			return nr1(int64(which(&c.in.status).condition)), nil
		}},
		{header: header + ":ENABle",
			set: func(c *call) *scpiError {
				v, err := c.number(plainNumber, bounds{0, 65535, 0})
				if err == nil {
					which(&c.in.status).enable = uint16(v) & 0x7FFF
				}
				return err
			},
			query: func(c *call) (string, *scpiError) {
				return nr1(int64(which(&c.in.status).enable)), nil
			}},
	}
}

// newMeter is the voltmeter: it measures and has nothing to set.
func newMeter() *instrument {
	step := func(c *call) float64 { return float64(c.b.Spec().Meter.VoltageStep) }
	volt := func(c *call) (string, *scpiError) {
		r := c.b.MeterPanel().Measure()
		return reading(r.Voltage, step(c)), nil
	}
	return &instrument{
		device: virtual.DeviceMeter,
		status: status{event: eventPowerOn},
		tree: newTree(append(systemCommands(),
			command{header: "MEASure[:SCALar][:VOLTage][:DC]", query: volt},
			command{header: "READ[:SCALar][:VOLTage][:DC]", query: volt},
			command{header: "FETCh[:SCALar][:VOLTage][:DC]", query: volt},
		)),
		look:  func(*virtual.Bench) {},
		reset: func(*virtual.Bench) {},
	}
}

// reading is a measured count as NR3, or not a number.
func reading(count int32, step float64) string {
	if count == noReading {
		return notANumber
	}
	return nr3(int64(count), 1e6/step)
}

// String tells people which instrument it is.
func (in *instrument) String() string { return fmt.Sprintf("virtual %s", in.device) }
