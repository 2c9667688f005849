package host

import (
	"context"
	"errors"
	"fmt"
	"math"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// ErrImpossible: a message from the other side lacks a field, or holds what it
// cannot hold. It is never read as zero (INV-02).
var ErrImpossible = errors.New("impossible data")

// ErrAbsent: the bench has no such device.
var ErrAbsent = errors.New("the bench has no such device")

// kinds that survive the wire, each with its status code.
var wireErrors = []struct {
	err  error
	code codes.Code
}{
	{drivers.ErrNoAnswer, codes.Unavailable},
	{drivers.ErrRefused, codes.FailedPrecondition},
	{drivers.ErrLease, codes.Aborted},
	{drivers.ErrIdentity, codes.NotFound},
	{ErrEpoch, codes.OutOfRange},
	{ErrImpossible, codes.InvalidArgument},
	{ErrAbsent, codes.Unimplemented},
}

// toStatus turns an error into one that gRPC carries with its kind.
func toStatus(err error) error {
	if err == nil {
		return nil
	}
	for _, w := range wireErrors {
		if errors.Is(err, w.err) {
			return status.Error(w.code, err.Error())
		}
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return status.Error(codes.DeadlineExceeded, err.Error())
	}
	return status.Error(codes.Internal, err.Error())
}

// fromStatus turns a gRPC error back into one that errors.Is knows.
func fromStatus(err error) error {
	if err == nil {
		return nil
	}
	s, ok := status.FromError(err)
	if !ok {
		return err
	}
	switch s.Code() {
	case codes.DeadlineExceeded:
		return &wireError{s.Message(), drivers.ErrNoAnswer}
	case codes.Canceled:
		return &wireError{s.Message(), context.Canceled}
	}
	for _, w := range wireErrors {
		if s.Code() == w.code {
			return &wireError{s.Message(), w.err}
		}
	}
	return &wireError{s.Message(), err} // people read what was said, not how it came
}

// wireError is an error that crossed the wire: the text as it was, and its kind.
type wireError struct {
	text string
	kind error
}

func (e *wireError) Error() string { return e.text }
func (e *wireError) Unwrap() error { return e.kind }

// need returns the value of a field that must be present.
func need[T any](p *T, name string, wrong *error) T {
	if p == nil {
		*wrong = errors.Join(*wrong, fmt.Errorf("%w: %s is missing", ErrImpossible, name))
		var zero T
		return zero
	}
	return *p
}

func protectionToWire(p drivers.Protection) *driverv1.Protection {
	v, c, t := int64(p.VoltageMax), int64(p.CurrentMax), int64(p.CommTimeout)
	return &driverv1.Protection{VoltageMaxUv: &v, CurrentMaxUa: &c, CommTimeoutUs: &t}
}

func protectionFromWire(p *driverv1.Protection, name string) (drivers.Protection, error) {
	if p == nil {
		return drivers.Protection{}, fmt.Errorf("%w: %s is missing", ErrImpossible, name)
	}
	var err error
	out := drivers.Protection{
		VoltageMax:  drivers.Microvolts(need(p.VoltageMaxUv, name+".voltage_max_uv", &err)),
		CurrentMax:  drivers.Microamps(need(p.CurrentMaxUa, name+".current_max_ua", &err)),
		CommTimeout: drivers.Span(need(p.CommTimeoutUs, name+".comm_timeout_us", &err)),
	}
	if err == nil && (out.VoltageMax < 0 || out.CurrentMax < 0 || out.CommTimeout < 0) {
		err = fmt.Errorf("%w: %s: %d uV, %d uA, %d us; none may be under 0", ErrImpossible, name, out.VoltageMax, out.CurrentMax, out.CommTimeout)
	}
	return out, err
}

func tripwireToWire(l TripwireLimits) *driverv1.Tripwire {
	cellMax, cellMin, temp, current := int64(l.CellMax), int64(l.CellMin), int64(l.TempMax), int64(l.CurrentMax)
	persistence, silence := int64(l.Persistence), int64(l.Silence)
	return &driverv1.Tripwire{CellMaxUv: &cellMax, CellMinUv: &cellMin, TempMaxMk: &temp,
		CurrentMaxUa: &current, PersistenceUs: &persistence, SilenceUs: &silence}
}

func tripwireFromWire(l *driverv1.Tripwire) (TripwireLimits, error) {
	if l == nil {
		return TripwireLimits{}, fmt.Errorf("%w: tripwire is missing", ErrImpossible)
	}
	var err error
	out := TripwireLimits{
		CellMax:     drivers.Microvolts(need(l.CellMaxUv, "tripwire.cell_max_uv", &err)),
		CellMin:     drivers.Microvolts(need(l.CellMinUv, "tripwire.cell_min_uv", &err)),
		TempMax:     drivers.Millikelvins(need(l.TempMaxMk, "tripwire.temp_max_mk", &err)),
		CurrentMax:  drivers.Microamps(need(l.CurrentMaxUa, "tripwire.current_max_ua", &err)),
		Persistence: drivers.Span(need(l.PersistenceUs, "tripwire.persistence_us", &err)),
		Silence:     drivers.Span(need(l.SilenceUs, "tripwire.silence_us", &err)),
	}
	if err != nil {
		return out, err
	}
	if err := out.Check(); err != nil {
		return out, fmt.Errorf("%w: %w", ErrImpossible, err)
	}
	return out, nil
}

func setpointFromWire(r *driverv1.SetRequest) (charging bool, s drivers.Setpoint, err error) {
	switch r.Direction {
	case driverv1.Direction_DIRECTION_CHARGE:
		charging = true
	case driverv1.Direction_DIRECTION_DISCHARGE:
	default:
		err = fmt.Errorf("%w: direction %d; charge (1) or discharge (2) would be right", ErrImpossible, r.Direction)
	}
	s = drivers.Setpoint{
		Current: drivers.Microamps(need(r.CurrentUa, "current_ua", &err)),
		Voltage: drivers.Microvolts(need(r.VoltageUv, "voltage_uv", &err)),
		On:      need(r.On, "on", &err),
	}
	if err == nil && (s.Current < 0 || s.Voltage < 0) {
		err = fmt.Errorf("%w: %d uA, %d uV; both are magnitudes", drivers.ErrRefused, s.Current, s.Voltage)
	}
	return charging, s, err
}

func setpointToWire(charging bool, s drivers.Setpoint) *driverv1.SetRequest {
	current, voltage := int64(s.Current), int64(s.Voltage)
	r := &driverv1.SetRequest{Direction: driverv1.Direction_DIRECTION_DISCHARGE, CurrentUa: &current, VoltageUv: &voltage, On: &s.On}
	if charging {
		r.Direction = driverv1.Direction_DIRECTION_CHARGE
	}
	return r
}

// contactors in the order of their bits.
var contactors = []struct {
	bit  drivers.Contactors
	wire driverv1.Contactor
}{
	{drivers.BoxNegative, driverv1.Contactor_CONTACTOR_NEGATIVE},
	{drivers.BoxPrecharge, driverv1.Contactor_CONTACTOR_PRECHARGE},
	{drivers.BoxPositive, driverv1.Contactor_CONTACTOR_POSITIVE},
}

func contactorsToWire(c drivers.Contactors) (list []driverv1.Contactor, err error) {
	for _, k := range contactors {
		if c&k.bit != 0 {
			list, c = append(list, k.wire), c&^k.bit
		}
	}
	if c != 0 {
		return nil, fmt.Errorf("%w: contactor bits %#x name no contactor", drivers.ErrRefused, uint8(c))
	}
	return list, nil
}

func contactorsFromWire(list []driverv1.Contactor) (c drivers.Contactors, err error) {
next:
	for _, w := range list {
		for _, k := range contactors {
			if k.wire == w {
				c |= k.bit
				continue next
			}
		}
		return 0, fmt.Errorf("%w: contactor %d; 1 (negative), 2 (precharge), 3 (positive) would be right", ErrImpossible, w)
	}
	return c, nil
}

func eventToWire(e Event) *driverv1.Event {
	at, channel := int64(e.At), int32(e.Breach.Channel)
	return &driverv1.Event{
		Kind: driverv1.Event_Kind(e.Kind), AtUs: &at, Role: driverv1.Role(e.Role), Number: e.Echo, Channel: &channel,
		Value: e.Breach.Value, Limit: e.Breach.Limit, Unknown: e.Breach.Unknown, Text: e.Text,
	}
}

func eventFromWire(w *driverv1.Event, channels int) (Event, error) {
	var err error
	e := Event{
		Kind: EventKind(w.Kind), At: drivers.Instant(need(w.AtUs, "event.at_us", &err)), Role: Role(w.Role), Echo: w.Number,
		Breach: Breach{Channel: int(need(w.Channel, "event.channel", &err)), Value: w.Value, Limit: w.Limit, Unknown: w.Unknown},
		Text:   w.Text,
	}
	switch {
	case err != nil:
		return e, err
	case w.Kind <= 0 || w.Kind >= driverv1.Event_Kind(eventKinds):
		return e, fmt.Errorf("%w: event of kind %d", ErrImpossible, w.Kind)
	case w.Role < 0 || w.Role >= driverv1.Role(roles):
		return e, fmt.Errorf("%w: event of role %d", ErrImpossible, w.Role)
	case e.Breach.Channel < -1 || e.Breach.Channel >= channels:
		return e, fmt.Errorf("%w: event about channel %d of %d", ErrImpossible, e.Breach.Channel, channels)
	}
	return e, nil
}

// wordsCheck refuses bleed words that do not fit the cells. No words at all
// bleed nothing.
func wordsCheck(words []int32, cells int) error {
	if len(words) == 0 {
		return nil
	}
	if want := (cells + 15) / 16; len(words) != want {
		return fmt.Errorf("%w: %d bleed words for %d cells; %d would be right", drivers.ErrRefused, len(words), cells, want)
	}
	for k, w := range words {
		if w < 0 || w > math.MaxUint16 {
			return fmt.Errorf("%w: bleed word %d is %#x; a word holds 16 cells", drivers.ErrRefused, k, w)
		}
	}
	return nil
}
