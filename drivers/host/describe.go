package host

import (
	"errors"
	"fmt"
	"math"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// describe is what a host tells of itself.
func describe(c *Config, devices []*driverv1.Device) *driverv1.DescribeResponse {
	period, link, lease, scheduling := int64(c.period(false)), int64(c.period(true)), int64(c.Bench.Lease), int64(c.Scheduling)
	return &driverv1.DescribeResponse{Bench: c.Bench.Name, Devices: devices, Channels: layoutToWire(c.layout),
		PeriodUs: &period, LinkPeriodUs: &link, LeaseUs: &lease, SchedulingUs: &scheduling}
}

// deviceToWire tells of one device; spec is that of a supply or load, else nil.
func deviceToWire(role Role, id drivers.Identity, spec *drivers.PowerSpec) *driverv1.Device {
	d := &driverv1.Device{Role: driverv1.Role(role), Maker: id.Maker, Model: id.Model, Serial: id.Serial, Firmware: id.Firmware}
	if spec != nil {
		volts, amps, delay, slew := int64(spec.VoltageMax), int64(spec.CurrentMax), int64(spec.Delay), int64(spec.Slew)
		d.VoltageMaxUv, d.CurrentMaxUa, d.DelayUs, d.SlewUaPerS = &volts, &amps, &delay, &slew
	}
	return d
}

func layoutToWire(l *drivers.Layout) []*driverv1.Channel {
	list := make([]*driverv1.Channel, len(l.Channels))
	for i, c := range l.Channels {
		gain, fault := c.Accuracy.GainPPM, c.Accuracy.Offset
		list[i] = &driverv1.Channel{Kind: driverv1.Kind(c.Kind), Index: int32(c.Index), Num: c.Scale.Num, Den: c.Scale.Den,
			Offset: c.Scale.Offset, GainPpm: &gain, Error: &fault}
	}
	return list
}

// offsetMost is beyond every quantity of a bench: 1 MV in uV.
const offsetMost = 1_000_000_000_000

// layoutFromWire reads a driver's channels and refuses what no layout can be.
func layoutFromWire(list []*driverv1.Channel) (*drivers.Layout, error) {
	channels := make([]drivers.Channel, len(list))
	for i, w := range list {
		if w.GetKind() <= 0 || w.GetKind() > driverv1.Kind(drivers.LoadBeat) {
			return nil, fmt.Errorf("%w: channel %d is of kind %d; 1 to %d would be right", ErrImpossible, i, w.GetKind(), drivers.LoadBeat)
		}
		if w.GetNum() > math.MaxInt32 || w.GetDen() > math.MaxInt32 {
			return nil, fmt.Errorf("%w: channel %d (%s) has the scale %d/%d; parts up to %d would be right",
				ErrImpossible, i, drivers.Kind(w.GetKind()), w.GetNum(), w.GetDen(), math.MaxInt32)
		}
		if w.GetOffset() > offsetMost || w.GetOffset() < -offsetMost {
			return nil, fmt.Errorf("%w: channel %d (%s) has the offset %d; within %d would be right", ErrImpossible, i, drivers.Kind(w.GetKind()), w.GetOffset(), int64(offsetMost))
		}
		channels[i] = drivers.Channel{Kind: drivers.Kind(w.GetKind()), Index: int(w.GetIndex()),
			Scale:    drivers.Scale{Num: w.GetNum(), Den: w.GetDen(), Offset: w.GetOffset()},
			Accuracy: drivers.Accuracy{GainPPM: w.GetGainPpm(), Offset: w.GetError()}}
	}
	layout, err := drivers.PartOf(channels)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrImpossible, err)
	}
	return layout, nil
}

// sameLayout reports the first channel in which what the driver sends differs
// from what the bench file says.
func sameLayout(got []*driverv1.Channel, want *drivers.Layout) error {
	if len(got) != len(want.Channels) {
		return fmt.Errorf("%w: frames of %d channels, the bench file makes it %d; start both from one bench file", ErrImpossible, len(got), len(want.Channels))
	}
	for i, w := range layoutToWire(want) {
		g := got[i]
		if g.GetKind() != w.Kind || g.GetIndex() != w.Index || g.GetNum() != w.Num || g.GetDen() != w.Den || g.GetOffset() != w.Offset {
			return fmt.Errorf("%w: channel %d is %v, the bench file says %s at %d/%d+%d; start both from one bench file",
				ErrImpossible, i, g, want.Channels[i].Name(), w.Num, w.Den, w.Offset)
		}
	}
	return nil
}

func descriptionFromWire(r *driverv1.DescribeResponse) (Description, error) {
	var err error
	d := Description{
		Bench:      r.Bench,
		Identities: make(map[Role]drivers.Identity),
		Period:     drivers.Span(need(r.PeriodUs, "period_us", &err)),
		LinkPeriod: drivers.Span(need(r.LinkPeriodUs, "link_period_us", &err)),
		Lease:      drivers.Span(need(r.LeaseUs, "lease_us", &err)),
		Scheduling: drivers.Span(need(r.SchedulingUs, "scheduling_us", &err)),
	}
	if err == nil && (d.Period <= 0 || d.LinkPeriod <= 0 || d.Lease <= 0 || d.Lease > drivers.Hour || d.Scheduling < 0) {
		err = fmt.Errorf("%w: period %d us, link period %d us, lease %d us, scheduling %d us; all but the last are above 0, a lease is up to an hour",
			ErrImpossible, d.Period, d.LinkPeriod, d.Lease, d.Scheduling)
	}
	if d.Call, d.LostAfter = drivers.Span(r.CallUs), int(r.LostAfter); d.Call == 0 {
		d.Call = callDefault
	}
	if d.LostAfter == 0 {
		d.LostAfter = lostDefault
	}
	if d.Call < 0 || d.LostAfter < 0 {
		err = errors.Join(err, fmt.Errorf("%w: calls of %d us, lost after %d periods", ErrImpossible, d.Call, d.LostAfter))
	}
	for _, v := range r.Devices {
		role := Role(v.GetRole())
		if v.GetRole() <= 0 || v.GetRole() >= driverv1.Role(roles) {
			err = errors.Join(err, fmt.Errorf("%w: device of role %d", ErrImpossible, v.GetRole()))
			continue
		}
		if _, twice := d.Identities[role]; twice {
			err = errors.Join(err, fmt.Errorf("%w: two devices are the %s", ErrImpossible, role))
		}
		d.Identities[role] = drivers.Identity{Maker: v.Maker, Model: v.Model, Serial: v.Serial, Firmware: v.Firmware}
	}
	layout, lErr := layoutFromWire(r.Channels)
	if err = errors.Join(err, lErr); err != nil {
		return d, err
	}
	d.layout = layout
	d.told(r)
	return d, nil
}

// told makes up the bench that a driver spoke of.
func (d *Description) told(r *driverv1.DescribeResponse) {
	b := &d.Told
	b.Name, b.Lease, b.Monitor.Period, b.Box.LinkPeriod = d.Bench, d.Lease, d.Period, d.LinkPeriod
	b.Monitor.Cells, b.Monitor.Temps = d.layout.Cells(), d.layout.Temps()
	for _, v := range r.Devices {
		p := &b.Supply
		switch Role(v.Role) {
		case RoleLoad:
			p = &b.Load
		case RoleSupply:
		default:
			continue
		}
		p.VoltageMax, p.CurrentMax = drivers.Microvolts(v.GetVoltageMaxUv()), drivers.Microamps(v.GetCurrentMaxUa())
		p.Delay, p.Slew = drivers.Span(v.GetDelayUs()), drivers.Microamps(v.GetSlewUaPerS())
	}
	for _, c := range d.layout.Channels {
		step, acc := c.Scale.Num, c.Accuracy
		switch c.Kind {
		case drivers.CellVoltage:
			b.Monitor.CellStep, b.Monitor.CellAccuracy = drivers.Microvolts(step), acc
		case drivers.Temperature:
			b.Monitor.TempStep, b.Monitor.TempAccuracy = drivers.Millikelvins(step), acc
		case drivers.ModuleCurrent:
			b.Monitor.CurrentStep, b.Monitor.CurrentAcc = drivers.Microamps(step), acc
		case drivers.ModuleVoltage:
			b.Meter.VoltageStep, b.Meter.VoltageAcc = drivers.Microvolts(step), acc
		case drivers.LinkVoltage:
			b.Box.LinkStep, b.Box.LinkAcc = drivers.Microvolts(step), acc
		case drivers.BoxCurrent:
			b.Box.CurrentStep, b.Box.CurrentAcc = drivers.Microamps(step), acc
		case drivers.SupplyVoltage:
			b.Supply.VoltageStep, b.Supply.VoltageAcc = drivers.Microvolts(step), acc
		case drivers.SupplyCurrent:
			b.Supply.CurrentStep, b.Supply.CurrentAcc = drivers.Microamps(step), acc
		case drivers.LoadVoltage:
			b.Load.VoltageStep, b.Load.VoltageAcc = drivers.Microvolts(step), acc
		case drivers.LoadCurrent:
			b.Load.CurrentStep, b.Load.CurrentAcc = drivers.Microamps(step), acc
		}
	}
}
