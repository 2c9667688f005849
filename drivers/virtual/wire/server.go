package wire

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Off as an address leaves an instrument out.
const Off = "off"

// Anywhere is the address taken where a Config names none: a free port of the
// loopback interface.
const Anywhere = "tcp:127.0.0.1:0"

// Config says which bench speaks, and where.
type Config struct {
	// Realtime is the bench behind all instruments. Its clock is theirs too.
	Realtime *virtual.Realtime
	// Supply, Load and Meter are where the SCPI instruments listen, and Box the
	// contactor box with Modbus TCP: tcp:HOST:PORT, Off, or "" for Anywhere.
	Supply, Load, Meter, Box string
	// Monitor is where the cell monitor's frames go: any of tcp:HOST:PORT and
	// unix:PATH, which carry the records of Linux' struct can_frame back to back
	// (little-endian) to several clients, and can:INTERFACE, which is SocketCAN.
	// None: Anywhere; Off alone: no monitor.
	Monitor []string
	// Exclusive makes each SCPI instrument take one connection at a time and
	// close any further one at once, as some instruments do.
	Exclusive bool
	// Record, where given, gets the instruments' own record; see Line.
	Record io.Writer
}

// Addresses are where the instruments answer, in the form that bench files have.
// An instrument that is off has none.
type Addresses struct {
	Supply, Load, Meter, Box string
	Monitor                  []string
}

// Serve runs the instruments until ctx is done, and returns nil then.
func Serve(ctx context.Context, c Config) error {
	s, err := Start(c)
	if err != nil {
		return err
	}
	<-ctx.Done()
	return s.Close()
}

// Server is a bench's instruments on their wires.
type Server struct {
	rt        *virtual.Realtime
	addresses Addresses
	record    recorder
	gates     map[virtual.Device]*gate

	// What follows is used inside rt.Do only.
	instruments map[virtual.Device]*instrument
	box         box
	monitor     *monitor
	starts      [4]int // of supply, load, box, monitor

	bus       *bus
	listeners []net.Listener
	group     sync.WaitGroup
	done      chan struct{}
	closing   sync.Once
	closed    error
}

// Start opens the wires of a bench's instruments. Nothing is switched: they come
// up with their outputs off, their protections wide, and no communication timeout.
func Start(c Config) (*Server, error) {
	if c.Realtime == nil {
		return nil, errors.New("virtual wires: no bench given")
	}
	s := &Server{
		rt: c.Realtime, record: recorder{w: c.Record}, done: make(chan struct{}),
		gates: map[virtual.Device]*gate{}, instruments: map[virtual.Device]*instrument{},
	}
	for _, d := range []virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad, virtual.DeviceMeter, virtual.DeviceBox, virtual.DeviceMonitor} {
		most := connectionsMax
		if c.Exclusive && d != virtual.DeviceBox && d != virtual.DeviceMonitor {
			most = 1
		}
		s.gates[d] = newGate(most, s.done)
	}
	s.bus = newBus(s.gates[virtual.DeviceMonitor], s.done)
	s.monitor = newMonitor(&s.record, func(f []canFrame) { s.bus.emit(f, nil) })
	var err error
	s.rt.Do(func(b *virtual.Bench) {
		for _, f := range b.FaultStatus() {
			err = errors.Join(err, onWires(f.Fault))
		}
		if b.Observer() != nil {
			err = errors.New("virtual wires: this bench is on wires already; close those first")
		}
		if err == nil {
			s.switchOn(b)
		}
	})
	if err != nil {
		return nil, err
	}
	if err := s.open(c); err != nil {
		return nil, errors.Join(fmt.Errorf("virtual wires: %w", err), s.Close())
	}
	s.group.Go(s.pump)
	return s, nil
}

// switchOn gives the instruments their state at power on.
func (s *Server) switchOn(b *virtual.Bench) {
	spec := b.Spec()
	s.instruments[virtual.DeviceSupply] = newPower(virtual.DeviceSupply, spec.Supply, &s.record)
	s.instruments[virtual.DeviceLoad] = newPower(virtual.DeviceLoad, spec.Load, &s.record)
	s.instruments[virtual.DeviceMeter] = newMeter()
	for _, in := range s.instruments {
		in.reset(b)
	}
	for i, d := range forgetful {
		s.starts[i] = b.Starts(d)
	}
	s.record.look(b)
	b.Observe(watcher{s})
}

// open starts to listen everywhere.
func (s *Server) open(c Config) error {
	a := &s.addresses
	for _, w := range []struct {
		device  virtual.Device
		address string
		at      *string
		serve   func(io.ReadWriter)
	}{
		{virtual.DeviceSupply, c.Supply, &a.Supply, s.conversation(virtual.DeviceSupply)},
		{virtual.DeviceLoad, c.Load, &a.Load, s.conversation(virtual.DeviceLoad)},
		{virtual.DeviceMeter, c.Meter, &a.Meter, s.conversation(virtual.DeviceMeter)},
		{virtual.DeviceBox, c.Box, &a.Box, s.registers},
	} {
		var err error
		if *w.at, err = s.wire(w.device, w.address, w.serve); err != nil {
			return fmt.Errorf("%s: %w", w.device, err)
		}
	}
	monitor := c.Monitor
	if len(monitor) == 0 {
		monitor = []string{Anywhere}
	}
	for _, address := range monitor {
		at, err := s.wire(virtual.DeviceMonitor, address, s.frames)
		if err != nil {
			return fmt.Errorf("monitor: %w", err)
		}
		if at != "" {
			a.Monitor = append(a.Monitor, at)
		}
	}
	return nil
}

func (s *Server) conversation(d virtual.Device) func(io.ReadWriter) {
	return func(c io.ReadWriter) { s.converse(s.instruments[d], c) }
}

// frames serves a stream carrier.
func (s *Server) frames(c io.ReadWriter) { s.join(c, binary.LittleEndian) }

// wire opens one address and returns it as it came out.
func (s *Server) wire(d virtual.Device, address string, serve func(io.ReadWriter)) (string, error) {
	switch name, can := strings.CutPrefix(address, "can:"); {
	case address == Off:
		return "", nil
	case address == "":
		address = Anywhere
	case can && d == virtual.DeviceMonitor:
		c, err := openCAN(name)
		if err != nil {
			return "", err
		}
		s.attach(c, s.gates[d], func(c io.ReadWriter) { s.join(c, binary.NativeEndian) })
		return address, nil
	}
	l, err := listen(address)
	if err != nil {
		return "", err
	}
	s.accept(l, s.gates[d], serve)
	return named(l), nil
}

// Addresses returns where the instruments answer.
func (s *Server) Addresses() Addresses { return s.addresses }

// Close takes the instruments off their wires and waits until they are. What
// flows in the bench goes on as it was: the caller owns the bench. The error is
// the first one of writing the record.
func (s *Server) Close() error {
	s.closing.Do(func() {
		close(s.done)
		for _, l := range s.listeners {
			_ = l.Close()
		}
		for _, g := range s.gates {
			g.shut()
		}
		s.group.Wait()
		s.rt.Do(func(b *virtual.Bench) {
			b.Observe(nil)
			s.closed = s.record.err
		})
	})
	return s.closed
}

// Turn brings the bench to its clock's present and sends what fell due. A server
// does so by itself on the wall clock's beat; a test that moves a clock of its
// own calls Turn after each move.
func (s *Server) Turn() { s.turn() }

// turn returns how long until something falls due.
func (s *Server) turn() (wait drivers.Span) {
	s.rt.Do(func(b *virtual.Bench) {
		s.monitor.release(b)
		next := b.Next()
		if due, some := s.monitor.due(); some {
			next = min(next, due)
		}
		wait = next.Sub(b.Now())
	})
	return wait
}

// Bounds of the pump's waits: a bench whose clock stands still is looked at now
// and then, one whose readings are dense is not chased.
const (
	waitMin = drivers.Millisecond
	waitMax = 100 * drivers.Millisecond
)

// pump keeps the bench going while nobody talks to it.
func (s *Server) pump() {
	t := time.NewTimer(0)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			t.Reset(time.Duration(min(max(s.turn(), waitMin), waitMax)) * time.Microsecond)
		case <-s.done:
			return
		}
	}
}

// watcher is the bench's observer.
type watcher struct{ s *Server }

// Stepped keeps registers and record in step with what the bench does by itself.
func (w watcher) Stepped(b *virtual.Bench) {
	w.s.restart(b)
	w.s.instruments[virtual.DeviceSupply].source.follow(b)
	w.s.instruments[virtual.DeviceLoad].source.follow(b)
	w.s.box.look(b)
	w.s.record.look(b)
}

// forgetful are the devices that a power-on makes forget something.
var forgetful = [4]virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad, virtual.DeviceBox, virtual.DeviceMonitor}

// restart resets what has begun anew, as a power-on does: registers, limits, status
// and what was half heard.
func (s *Server) restart(b *virtual.Bench) {
	for i, d := range forgetful {
		n := b.Starts(d)
		if n == s.starts[i] {
			continue
		}
		s.starts[i] = n
		switch d {
		case virtual.DeviceBox:
			s.box = box{}
		case virtual.DeviceMonitor:
			s.monitor.restart()
		default:
			s.instruments[d].restart(b)
		}
	}
}

// Swept sends the monitor's frames.
func (w watcher) Swept(b *virtual.Bench) { w.s.monitor.swept(b) }

// Inject adds a fault to the bench, as virtual.Bench.Inject. Faults of frames
// befall the monitor's bus; a driver that hangs is a device that hears and says
// nothing and goes on as it was; one that loses its set-up has the registers of a
// power-on. What no wire can show is refused.
func (s *Server) Inject(f virtual.Fault) (err error) {
	if err := onWires(f); err != nil {
		return err
	}
	s.rt.Do(func(b *virtual.Bench) { err = b.Inject(f) })
	return err
}

func onWires(f virtual.Fault) error {
	if info, _ := virtual.FaultOf(f.Kind); info.Unwired != "" {
		return fmt.Errorf("virtual wires: fault %s: %s", f.Kind, info.Unwired)
	}
	return nil
}

// Attach lets an SCPI instrument (supply, load, meter) speak over c, a serial
// line say, beside its socket. The server closes c.
func (s *Server) Attach(d virtual.Device, c io.ReadWriteCloser) error {
	if s.instruments[d] == nil {
		return fmt.Errorf("virtual wires: %q does not speak SCPI; supply, load and meter do", d)
	}
	if !s.attach(c, s.gates[d], s.conversation(d)) {
		return fmt.Errorf("virtual wires: the %s takes no further connection", d)
	}
	return nil
}

// Misbehave spoils an instrument's wire until the next call, or for m.Count
// answers; the bench behind it knows nothing of that. A zero Misbehaviour heals.
func (s *Server) Misbehave(d virtual.Device, m Misbehaviour) error {
	g := s.gates[d]
	if g == nil {
		return fmt.Errorf("virtual wires: there is no %q", d)
	}
	if err := m.check(d); err != nil {
		return fmt.Errorf("virtual wires: %s misbehaves: %w", d, err)
	}
	g.misbehave(m)
	return nil
}

// registers serves one connection of the contactor box.
func (s *Server) registers(c io.ReadWriter) {
	g := s.gates[virtual.DeviceBox]
	in := swallower{c, g}
	for {
		request, err := readADU(in)
		if err != nil {
			return
		}
		response, answered := s.request(request, g.kind())
		if answered && g.send(c, response.bytes()) != nil {
			return
		}
	}
}

// request lets the box carry out a request at the bench's present.
func (s *Server) request(a adu, kind Kind) (response adu, answered bool) {
	s.rt.Do(func(b *virtual.Bench) {
		if !b.BoxPanel().Answers() {
			return
		}
		answered = true
		response = adu{transaction: a.transaction, unit: a.unit}
		if !boxUnits(a.unit) {
			response.pdu = []byte{a.pdu[0] | 0x80, byte(targetSilent)}
			return
		}
		response.pdu = answer(&boxBank{box: &s.box, b: b, record: &s.record, foreign: kind == WrongIdentity}, a.pdu)
	})
	return response, answered
}
