package scpi

import (
	"context"
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

var errUnbuilt = errors.New("scpi: not built yet")

// Dialect says how an instrument speaks. It is made by ParseDialect.
type Dialect struct{ name, role string }

// ParseDialect reads a dialect file; name is how messages call it.
func ParseDialect(name string, src []byte) (*Dialect, []tree.Problem) {
	return nil, []tree.Problem{{File: name, What: errUnbuilt.Error()}}
}

// Name is the dialect's own name.
func (d *Dialect) Name() string { return d.name }

// Role is the role that the dialect is for: supply, load or meter.
func (d *Dialect) Role() string { return d.role }

// Power is a supply or an electronic load.
type Power struct{}

// NewPower checks o and connects to nothing: that happens at the first call.
func NewPower(o Options, spec drivers.PowerSpec) (*Power, error) { return nil, errUnbuilt }

var _ drivers.Power = (*Power)(nil)

// Close ends the connection. An output that this driver switched on is switched
// off first.
func (p *Power) Close() error { return errUnbuilt }

// Halt switches off.
func (p *Power) Halt(ctx context.Context) error { return errUnbuilt }

// Identify says who the instrument is.
func (p *Power) Identify(ctx context.Context) (drivers.Identity, error) {
	return drivers.Identity{}, errUnbuilt
}

// Arm sets the instrument's own limits and returns what it reads back.
func (p *Power) Arm(ctx context.Context, l drivers.Protection) (drivers.Protection, error) {
	return l, errUnbuilt
}

// Set takes a setpoint.
func (p *Power) Set(ctx context.Context, s drivers.Setpoint) error { return errUnbuilt }

// Read measures.
func (p *Power) Read(ctx context.Context) (drivers.Reading, error) {
	return drivers.Reading{}, errUnbuilt
}

// Probe asks everything that can be asked without changing anything.
func (p *Power) Probe(ctx context.Context) (Survey, error) { return Survey{}, errUnbuilt }

// Meter is a voltmeter.
type Meter struct{}

var _ drivers.Meter = (*Meter)(nil)

// NewMeter checks o and connects to nothing: that happens at the first call.
func NewMeter(o Options, spec drivers.MeterSpec) (*Meter, error) { return nil, errUnbuilt }

// Close ends the connection.
func (m *Meter) Close() error { return errUnbuilt }

// Identify says who the meter is.
func (m *Meter) Identify(ctx context.Context) (drivers.Identity, error) {
	return drivers.Identity{}, errUnbuilt
}

// Read measures.
func (m *Meter) Read(ctx context.Context) (drivers.Reading, error) {
	return drivers.Reading{}, errUnbuilt
}

// Probe asks everything that can be asked without changing anything.
func (m *Meter) Probe(ctx context.Context) (Survey, error) { return Survey{}, errUnbuilt }

// Survey is what an instrument says when nothing is asked of it but to speak:
// what `rigwarden bench check` shows.
type Survey struct {
	Identity drivers.Identity
	// Errors are the entries that waited in its error queue, oldest first.
	Errors []string
	// Status is the status byte; HasStatus is false where the dialect has none.
	Status    int
	HasStatus bool
	// Reading is one measurement, in the spec's steps.
	Reading drivers.Reading
	// Limits are the own limits as they stand now; a limit that Can* denies is 0.
	Limits drivers.Protection
	// CanVoltage, CanCurrent and CanSilence say which own limits this dialect
	// can arm: over-voltage, over-current, communication timeout.
	CanVoltage, CanCurrent, CanSilence bool
	// Notes are sentences for people: what is unusual, what would be right.
	Notes []string
}
