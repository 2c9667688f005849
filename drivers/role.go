package drivers

import (
	"context"
	"errors"
	"fmt"
)

// Errors that every driver uses, so that callers can tell what to do.
var (
	// ErrNoAnswer: the device did not answer within the call's deadline.
	ErrNoAnswer = errors.New("no answer")
	// ErrRefused: the device answered and refused.
	ErrRefused = errors.New("refused by the device")
	// ErrLease: the lease has run out; only a new arming energises again.
	ErrLease = errors.New("lease has run out")
	// ErrIdentity: another device than the bench file names answers here.
	ErrIdentity = errors.New("wrong device")
)

// Identity is what a device says of itself.
type Identity struct {
	Maker    string `json:"maker,omitempty"`
	Model    string `json:"model,omitempty"`
	Serial   string `json:"serial,omitempty"`
	Firmware string `json:"firmware,omitempty"`
}

// Check compares what a device says of itself with what was expected of it;
// parts that expected leaves empty are not compared. It returns ErrIdentity.
func (expected Identity) Check(got Identity) error {
	for _, p := range [...]struct{ part, want, got string }{
		{"maker", expected.Maker, got.Maker}, {"model", expected.Model, got.Model},
		{"serial", expected.Serial, got.Serial}, {"firmware", expected.Firmware, got.Firmware},
	} {
		if p.want != "" && p.want != p.got {
			return fmt.Errorf("%w: its %s is %q, the bench file says %q", ErrIdentity, p.part, p.got, p.want)
		}
	}
	return nil
}

// Protection are limits that an instrument enforces by itself.
type Protection struct {
	VoltageMax  Microvolts `json:"voltage_max_uV"`
	CurrentMax  Microamps  `json:"current_max_uA"`
	CommTimeout Span       `json:"comm_timeout_us"`
}

// Setpoint is an absolute setting of a supply or load; setting it twice is the
// same as setting it once. On false is the same as Halt.
type Setpoint struct {
	Current Microamps
	// Voltage is the supply's constant-voltage bound, or the voltage under
	// which a load stops drawing.
	Voltage Microvolts
	On      bool
}

// Reading is an instrument's latest measurement: raw counts in the steps that
// its spec declares, NoReading where it has none.
type Reading struct {
	Voltage, Current int32
	State            int32
	Beat             int32 // counts real measurements, wraps at MaxInt32 to 0
}

// Halter makes a device safe. Halt is legal at any time, from any goroutine,
// and twice; it returns once the device was told, not once current is zero.
type Halter interface {
	Halt(ctx context.Context) error
}

// Power is a supply or a load.
type Power interface {
	Halter
	Identify(ctx context.Context) (Identity, error)
	// Arm sets the instrument's own limits and returns what it reads back.
	Arm(ctx context.Context, p Protection) (Protection, error)
	Set(ctx context.Context, s Setpoint) error
	Read(ctx context.Context) (Reading, error)
}

// Contactors is a set of closed contactors (BoxNegative, BoxPrecharge,
// BoxPositive).
type Contactors uint8

// BoxReading is a contactor box's latest measurement.
type BoxReading struct {
	Link, Current int32
	State         int32
	Beat          int32
}

// Box is a contactor box. Halt opens every contactor.
type Box interface {
	Halter
	Identify(ctx context.Context) (Identity, error)
	// Switch closes exactly the given contactors and opens the others.
	Switch(ctx context.Context, closed Contactors) error
	Read(ctx context.Context) (BoxReading, error)
}

// MonitorReading is a cell monitor's latest measurement.
type MonitorReading struct {
	Cells, Temps []int32
	Current      int32
	Bleeding     []int32 // words of 16 cells
	Beat         int32
}

// Monitor is a cell monitor. Halt stops bleeding.
type Monitor interface {
	Halter
	Identify(ctx context.Context) (Identity, error)
	// Bleed bleeds exactly the cells whose bits are set (words of 16), until
	// the next command or the monitor's own timeout.
	Bleed(ctx context.Context, words []int32) error
	// Read fills r, reusing its slices.
	Read(ctx context.Context, r *MonitorReading) error
}

// Meter is an independent voltmeter across the article's terminals.
type Meter interface {
	Identify(ctx context.Context) (Identity, error)
	Read(ctx context.Context) (Reading, error)
}

// Set is the instruments of one bench.
type Set struct {
	Supply, Load Power
	Box          Box
	Monitor      Monitor
	Meter        Meter
}
