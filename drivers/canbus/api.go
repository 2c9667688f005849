package canbus

import (
	"context"
	"errors"
	"io"
	"iter"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Map says which DBC signal is which channel of a monitor. It is compiled from
// a signal map and its DBC file, and never changes.
type Map struct{}

// ParseMap reads a signal map and the DBC file it names. name is how problems
// call the map's file; dbc finds the DBC file as the map names it, and says how
// problems call that one.
func ParseMap(name string, src []byte, dbc func(file string) (name string, text []byte, err error)) (*Map, []tree.Problem) {
	return nil, []tree.Problem{{File: name, What: "signal maps are not read yet"}}
}

// Check says where a map and the bench file's monitor disagree.
func Check(m *Map, spec drivers.MonitorSpec) []tree.Problem { return nil }

// Options says where a monitor answers and how it speaks.
type Options struct {
	// Address is can:INTERFACE, unix:PATH, tcp:HOST:PORT or log:FILE.
	Address string
	Map     *Map
	// Expect is what the monitor must say of itself.
	Expect drivers.Identity
	// Now is the clock for ages; nil: the real one.
	Now func() drivers.Instant
	// Notice is told what a person should know and no reading shows; nil:
	// nobody. It must not call the monitor.
	Notice func(text string)
}

// Monitor is a cell monitor on a CAN bus.
type Monitor struct{}

var _ drivers.Monitor = (*Monitor)(nil)

var errNotBuilt = errors.New("canbus: not built yet")

// New begins to listen. Nothing is sent before the first Bleed, Halt or
// Identify.
func New(o Options, spec drivers.MonitorSpec) (*Monitor, error) { return nil, errNotBuilt }

// Close ends listening and sending.
func (m *Monitor) Close() error { return errNotBuilt }

// Halt stops bleeding.
func (m *Monitor) Halt(ctx context.Context) error { return errNotBuilt }

// Identify returns what the monitor says of itself.
func (m *Monitor) Identify(ctx context.Context) (drivers.Identity, error) {
	return drivers.Identity{}, errNotBuilt
}

// Bleed bleeds exactly the given cells.
func (m *Monitor) Bleed(ctx context.Context, words []int32) error { return errNotBuilt }

// Read fills r with the latest complete sweep.
func (m *Monitor) Read(ctx context.Context, r *drivers.MonitorReading) error { return errNotBuilt }

// Record is one frame of a recorded bus.
type Record struct {
	At    drivers.Instant
	Frame Frame
}

// ParseCandump reads a log in candump's compact form. An error names its line;
// reading goes on with the next.
func ParseCandump(r io.Reader) iter.Seq2[Record, error] { return func(func(Record, error) bool) {} }

// Player turns a recorded bus into readings.
type Player struct{}

// Replay returns a player of the log.
func Replay(log iter.Seq2[Record, error], m *Map, spec drivers.MonitorSpec) (*Player, error) {
	return nil, errNotBuilt
}

// Readings yields one reading per complete sweep; where sweeps fail, one per
// period with what there is. The reading is valid until the next.
func (p *Player) Readings() iter.Seq2[drivers.Instant, *drivers.MonitorReading] {
	return func(func(drivers.Instant, *drivers.MonitorReading) bool) {}
}

// Err returns what was wrong with the log, after Readings.
func (p *Player) Err() error { return errNotBuilt }
