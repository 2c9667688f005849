package wire

import (
	"context"
	"errors"
	"io"

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
	// to several clients, and can:INTERFACE, which is SocketCAN. None: Anywhere;
	// Off alone: no monitor.
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
	addresses Addresses
}

// Start opens the wires of a bench's instruments.
func Start(c Config) (*Server, error) { return nil, errors.New("not built yet") }

// Addresses returns where the instruments answer.
func (s *Server) Addresses() Addresses { return s.addresses }

// Close takes the instruments off their wires and waits until they are. What
// flows in the bench goes on as it was: the caller owns the bench.
func (s *Server) Close() error { return nil }

// Turn brings the bench to its clock's present and sends what fell due. A server
// does so by itself on the wall clock's beat; a test that moves a clock of its
// own calls Turn after each move.
func (s *Server) Turn() {}

// Inject adds a fault to the bench, as virtual.Bench.Inject.
func (s *Server) Inject(f virtual.Fault) error { return nil }

// Attach lets an SCPI instrument (supply, load, meter) speak over c, a serial
// line say, beside its socket. The server closes c.
func (s *Server) Attach(d virtual.Device, c io.ReadWriteCloser) error { return nil }

// Misbehave spoils an instrument's wire until the next call, or for m.Count
// answers; the bench behind it knows nothing of that. A zero Misbehaviour heals.
func (s *Server) Misbehave(d virtual.Device, m Misbehaviour) error { return nil }
