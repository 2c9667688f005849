package scpi

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"
)

// address is where an instrument answers.
type address struct {
	tcp  string // host:port; empty: serial
	port string
	mode serial.Mode
}

// parseAddress reads "tcp:host:port" or "serial:/dev/x?baud=9600&data=8&parity=none&stop=1".
func parseAddress(s string) (a address, err error) {
	if rest, ok := strings.CutPrefix(s, "tcp:"); ok {
		host, port, err := net.SplitHostPort(rest)
		n, numErr := strconv.ParseUint(port, 10, 16)
		if err != nil || numErr != nil || host == "" || n == 0 {
			return a, fmt.Errorf("address %q: write tcp:host:port, such as tcp:10.0.0.5:5025", s)
		}
		return address{tcp: rest}, nil
	}
	rest, ok := strings.CutPrefix(s, "serial:")
	if !ok {
		return a, fmt.Errorf("address %q: write tcp:10.0.0.5:5025 or serial:/dev/ttyUSB0?baud=9600", s)
	}
	port, query, _ := strings.Cut(rest, "?")
	if port == "" {
		return a, fmt.Errorf("address %q names no port, such as serial:/dev/ttyUSB0", s)
	}
	a = address{port: port, mode: serial.Mode{BaudRate: 9600, DataBits: 8}}
	values, err := url.ParseQuery(query)
	if err != nil {
		return a, fmt.Errorf("address %q: after the question mark write baud=9600&data=8&parity=none&stop=1", s)
	}
	for key, list := range values {
		if len(list) != 1 {
			return a, fmt.Errorf("address %q: %s stands %d times", s, key, len(list))
		}
		if err := a.set(key, list[0]); err != nil {
			return a, fmt.Errorf("address %q: %w", s, err)
		}
	}
	return a, nil
}

var (
	parities = map[string]serial.Parity{
		"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity,
		"mark": serial.MarkParity, "space": serial.SpaceParity,
	}
	stops = map[string]serial.StopBits{"1": serial.OneStopBit, "1.5": serial.OnePointFiveStopBits, "2": serial.TwoStopBits}
)

func (a *address) set(key, value string) error {
	ok := true
	switch n, err := strconv.Atoi(value); key {
	case "baud":
		a.mode.BaudRate, ok = n, err == nil && n >= 50 && n <= 4_000_000
	case "data":
		a.mode.DataBits, ok = n, err == nil && n >= 5 && n <= 8
	case "parity":
		a.mode.Parity, ok = parities[value]
	case "stop":
		a.mode.StopBits, ok = stops[value]
	default:
		return fmt.Errorf("it has no %q; what may stand there is baud, data, parity, stop", key)
	}
	if !ok {
		return fmt.Errorf("%s cannot be %q", key, value)
	}
	return nil
}

// idleRead is how long a serial port's reader waits at most before it looks
// whether it is still wanted; a port is opened anew only once its reader is gone.
const idleRead = 20 * time.Millisecond

// dial opens the connection.
func (a address) dial(ctx context.Context) (io.ReadWriteCloser, error) {
	if a.tcp != "" {
		var d net.Dialer
		return d.DialContext(ctx, "tcp", a.tcp)
	}
	mode := a.mode
	port, err := serial.Open(a.port, &mode)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", a.port, err)
	}
	if err := port.SetReadTimeout(idleRead); err != nil {
		_ = port.Close() // the first error is the one to know
		return nil, fmt.Errorf("open %s: %w", a.port, err)
	}
	// Best effort: what still arrives is dealt with by the resynchronisation.
	_ = port.ResetInputBuffer()
	_ = port.ResetOutputBuffer()
	return port, nil
}
