package modbus

import (
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Options say how a device is reached and who must answer there.
type Options struct {
	// Address is "tcp:host:port", or "rtu:/dev/ttyUSB0?baud=19200&parity=even&stop=1"
	// for a serial line; either may end in "?unit=3" (or "&unit=3").
	Address string
	// Unit is the unit identifier; 0: the address's, else the map's.
	Unit uint8
	// Map says what the registers hold.
	Map *Map
	// Expect is what the device must say of itself (ErrIdentity); parts left
	// empty are not compared.
	Expect drivers.Identity
	// Now is the clock by which silence is measured; nil: the real one.
	Now func() drivers.Instant
}

// address is an Options.Address, taken apart.
type address struct {
	text   string
	serial bool
	host   string // TCP
	path   string // serial
	mode   serialMode
	unit   uint8
	given  bool // unit
}

// serialMode is how characters travel on a serial line.
type serialMode struct {
	baud   int
	parity string // none, even, odd
	stop   int
}

func parseAddress(s string) (a address, err error) {
	kind, rest, _ := strings.Cut(s, ":")
	rest, query, _ := strings.Cut(rest, "?")
	a.text = kind + ":" + rest
	q, err := url.ParseQuery(query)
	if err != nil {
		return a, fmt.Errorf("modbus address %q: after the question mark: %w", s, err)
	}
	known := map[string]bool{"unit": true}
	switch kind {
	case "tcp":
		if _, port, err := net.SplitHostPort(rest); err != nil || port == "" {
			return a, fmt.Errorf("modbus address %q: write host and port, such as tcp:10.0.0.5:502", s)
		}
		a.host = rest
	case "rtu":
		if rest == "" {
			return a, fmt.Errorf("modbus address %q: name the serial port, such as rtu:/dev/ttyUSB0?baud=19200", s)
		}
		a.serial, a.path = true, rest
		known["baud"], known["parity"], known["stop"] = true, true, true
		if a.mode, err = parseMode(q); err != nil {
			return a, fmt.Errorf("modbus address %q: %w", s, err)
		}
	default:
		return a, fmt.Errorf("modbus address %q: it begins with tcp: or rtu:, such as tcp:10.0.0.5:502 or rtu:/dev/ttyUSB0?baud=19200", s)
	}
	for key, values := range q {
		if !known[key] {
			return a, fmt.Errorf("modbus address %q: %q means nothing here", s, key)
		}
		if len(values) > 1 {
			return a, fmt.Errorf("modbus address %q: %q is given twice", s, key)
		}
	}
	if v := q.Get("unit"); v != "" {
		n, err := strconv.ParseUint(v, 10, 8)
		if err != nil {
			return a, fmt.Errorf("modbus address %q: unit %q is no number from 0 to 255", s, v)
		}
		a.unit, a.given = uint8(n), true
	}
	return a, nil
}

// parseMode reads a serial line's mode; the standard's default is 19200 Bd, even
// parity, one stop bit, and two stop bits where there is no parity.
func parseMode(q url.Values) (serialMode, error) {
	m := serialMode{baud: 19200, parity: "even", stop: 1}
	if v := q.Get("baud"); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 300 || n > 4_000_000 {
			return m, fmt.Errorf("baud %q is no speed, such as 9600, 19200 or 115200", v)
		}
		m.baud = n
	}
	switch v := q.Get("parity"); v {
	case "":
	case "none":
		m.parity, m.stop = v, 2
	case "even", "odd":
		m.parity = v
	default:
		return m, fmt.Errorf("parity %q is none of even, odd, none", v)
	}
	switch v := q.Get("stop"); v {
	case "":
	case "1", "2":
		m.stop = int(v[0] - '0')
	default:
		return m, fmt.Errorf("stop %q is neither 1 nor 2", v)
	}
	return m, nil
}

// character is how long one character is on the line.
func (m serialMode) character() time.Duration {
	bits := 1 + 8 + m.stop
	if m.parity != "none" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(m.baud)
}

// silence is what parts two frames: 3.5 characters, fixed to 1.75 ms above
// 19200 Bd (MODBUS over Serial Line V1.02, from memory).
func (m serialMode) silence() time.Duration {
	if m.baud > 19200 {
		return 1750 * time.Microsecond
	}
	return m.character() * 7 / 2
}

// open checks the options and opens nothing yet: the first exchange does.
func (o *Options) open(box bool) (*device, error) {
	a, err := parseAddress(o.Address)
	if err != nil {
		return nil, err
	}
	if o.Map == nil || o.Map.Box != box {
		return nil, fmt.Errorf("modbus %s: a register map for %s is needed", a.text, map[bool]string{true: "a box", false: "points"}[box])
	}
	d := &device{m: o.Map, expect: o.Expect, now: o.Now, unit: o.Map.unit, turn: make(chan struct{}, 1)}
	switch {
	case o.Unit != 0:
		d.unit = o.Unit
	case a.given:
		d.unit = a.unit
	}
	if d.now == nil {
		d.now = func() drivers.Instant { return drivers.Instant(time.Since(began) / time.Microsecond) }
	}
	if a.serial && (d.unit == 0 || d.unit > 247) {
		return nil, fmt.Errorf("modbus %s: unit %d; on a serial line units are 1 to 247, and 0 speaks to all of them and is answered by none", a.text, d.unit)
	}
	d.name = fmt.Sprintf("%s at %s unit %d", o.Map.Name, a.text, d.unit)
	d.groups = gather(o.Map.measured(), o.Map.gap)
	d.who = gather(present(append(o.Map.identity[:], o.Map.heartbeat.limit)), o.Map.gap)
	if a.serial {
		d.line, err = openBus(a.path, a.mode, duration(o.Map.answers))
		return d, err
	}
	d.line = &tcpLine{address: a.host, window: o.Map.outstanding, turn: make(chan struct{}, 1)}
	return d, nil
}

// began is the zero of the real clock; only differences matter.
var began = time.Now()

func duration(d drivers.Span) time.Duration { return time.Duration(d) * time.Microsecond }
