package modbus

import (
	"context"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Points is a device that only measures: thermometers, an insulation monitor,
// relays that are watched. Its methods are safe for concurrent use.
type Points struct {
	*device
}

// Value is one named reading.
type Value struct {
	Name string
	// Dimension says what Amount measures, in that dimension's base unit: uV,
	// uA, mK (absolute), uOhm, us, ppm, mW; DimCount: a plain number; "": yes (1)
	// or no (0).
	Dimension tree.Dimension
	Amount    int64
	// Valid: the device gave a value that can be. Without it Amount is 0 and
	// means nothing (INV-02).
	Valid bool
}

// String gives the value for people.
func (v Value) String() string {
	switch {
	case !v.Valid:
		return v.Name + ": no reading"
	case v.Dimension == "" && v.Amount != 0:
		return v.Name + ": yes"
	case v.Dimension == "":
		return v.Name + ": no"
	}
	return v.Name + ": " + tree.FormatQuantity(v.Amount, v.Dimension)
}

// NewPoints prepares a measuring device; nothing is opened before the first
// call.
func NewPoints(o Options) (*Points, error) {
	d, err := o.open(false)
	if err != nil {
		return nil, err
	}
	return &Points{d}, nil
}

// Read returns every point of the map, in the map's order.
func (p *Points) Read(ctx context.Context) ([]Value, error) {
	if ctx.Err() != nil {
		return nil, p.fail("read", late(ctx, "not begun"))
	}
	if err := take(ctx, p.turn, "an earlier call"); err != nil {
		return nil, p.fail("read", err)
	}
	defer func() { <-p.turn }()
	epoch, err := p.ready(ctx)
	if err != nil {
		return nil, err
	}
	replies, err := p.read(ctx, epoch, p.groups)
	if err != nil {
		return nil, err
	}
	values := make([]Value, len(p.m.points))
	for i, at := range p.m.points {
		values[i] = at.value(find(p.groups, replies, at))
	}
	return values, nil
}

func (p *point) value(words []uint16) Value {
	v := Value{Name: p.name, Dimension: p.dim, Valid: true}
	if p.form != formBit {
		v.Amount, v.Valid = p.quantity(words)
	} else if p.flag(words) {
		v.Amount = 1
	}
	return v
}
