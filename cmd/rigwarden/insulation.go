package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/modbus"
	"github.com/rigwarden/rigwarden/profiles"
)

// insulationCall bounds the reading of an insulation monitor.
const insulationCall = 2 * time.Second

// looseLeads is the part of the supply's range under which a meter's reading is
// taken for that of leads that hang loose.
const looseLeads = 10

// insulated says why the insulation resistance does not suffice: too low for
// the article's voltage, not measured, or an alarm of the monitor's own. The
// voltage is the meter's or, where that cannot be had, the supply's range.
func (in *instruments) insulated(ctx context.Context, f *benchFile) error {
	ctx, cancel := context.WithTimeout(ctx, insulationCall)
	defer cancel()
	if err := in.missing["insulation"]; err != nil {
		return err
	}
	volts := f.Supply.VoltageMax
	if m := in.set.Meter; m != nil {
		// Loose leads read next to nothing, and must not demand next to nothing.
		if r, err := m.Read(ctx); err == nil && drivers.Microvolts(r.Voltage)*f.Meter.VoltageStep > volts/looseLeads {
			volts = drivers.Microvolts(r.Voltage) * f.Meter.VoltageStep
		}
	}
	values, err := in.insulation.Read(ctx)
	if err != nil {
		return err
	}
	return enough(values, f.Insulation, volts)
}

// enough judges what an insulation monitor reads.
func enough(values []modbus.Value, want *profiles.Insulation, volts drivers.Microvolts) error {
	var wrong []error
	found := false
	for _, v := range values {
		switch v.Name {
		case "insulation":
			found = true
			least := want.Needs(volts)
			switch {
			case !v.Valid:
				wrong = append(wrong, errors.New("the insulation monitor gives no resistance"))
			case drivers.Microohms(v.Amount) < least:
				wrong = append(wrong, fmt.Errorf("insulation is %s; at %v at least %s is demanded",
					profiles.FormatQuantity(v.Amount, profiles.DimResistance), volts, profiles.FormatQuantity(int64(least), profiles.DimResistance)))
			}
		case "alarm", "self test failed":
			if !v.Valid || v.Amount != 0 {
				wrong = append(wrong, fmt.Errorf("the insulation monitor says: %s", v.Name))
			}
		}
	}
	if !found {
		wrong = append(wrong, errors.New("its map has no point named insulation"))
	}
	return errors.Join(wrong...)
}
