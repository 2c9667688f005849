package guard

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// The instruments of a bench, each with a counter of its own.
const (
	monitor = iota
	meter
	box
	supply
	load
	instruments
)

var beatKinds = [instruments]drivers.Kind{
	drivers.MonitorBeat, drivers.MeterBeat, drivers.BoxBeat, drivers.SupplyBeat, drivers.LoadBeat,
}

// channels is where a layout keeps what the guard looks at. It never changes
// after New, so that clones share it.
type channels struct {
	layout                             *drivers.Layout
	cells, temps, total                int
	cellScale, tempScale, currentScale drivers.Scale
	// exact: every voltage and current count is a whole number of base units.
	exact bool

	current, voltage, boxCurrent      int // boxCurrent is -1 where the box has no sensor
	supplyCurrent, loadCurrent        int
	link, supplyVoltage, loadVoltage  int // -1 where nothing reads it
	boxState, supplyState, loadStates int
	beat                              [instruments]int
}

// newChannels copies the layout and finds the channels the guard cannot do
// without. A bench that lacks one cannot be guarded, so it is refused.
func newChannels(layout *drivers.Layout) (*channels, error) {
	l := &drivers.Layout{Channels: append([]drivers.Channel(nil), layout.Channels...)}
	if err := l.Index(); err != nil {
		return nil, err
	}
	m := &channels{layout: l, cells: l.Cells(), temps: l.Temps(), total: len(l.Channels), exact: true}
	if m.temps == 0 {
		return nil, fmt.Errorf("layout: no temperature channels; charging cannot be guarded without one")
	}
	for i, c := range l.Channels {
		first := l.Channels[0].Scale
		if i >= m.cells {
			first = l.Channels[m.cells].Scale
		}
		if i < m.cells+m.temps && c.Scale != first {
			return nil, fmt.Errorf("layout: %s has another scale than its siblings; expected one scale for all", c.Name())
		}
		m.exact = m.exact && c.Scale.Den == 1
	}
	for _, need := range []struct {
		kind drivers.Kind
		at   *int
	}{
		{drivers.ModuleCurrent, &m.current}, {drivers.ModuleVoltage, &m.voltage},
		{drivers.SupplyCurrent, &m.supplyCurrent}, {drivers.LoadCurrent, &m.loadCurrent},
		{drivers.BoxState, &m.boxState}, {drivers.SupplyState, &m.supplyState}, {drivers.LoadState, &m.loadStates},
		{drivers.MonitorBeat, &m.beat[monitor]}, {drivers.MeterBeat, &m.beat[meter]}, {drivers.BoxBeat, &m.beat[box]},
		{drivers.SupplyBeat, &m.beat[supply]}, {drivers.LoadBeat, &m.beat[load]},
	} {
		if *need.at = l.Find(need.kind); *need.at < 0 {
			return nil, fmt.Errorf("layout: no %s channel; the bench cannot be guarded without it", need.kind)
		}
	}
	m.boxCurrent = l.Find(drivers.BoxCurrent)
	m.link, m.supplyVoltage, m.loadVoltage = l.Find(drivers.LinkVoltage), l.Find(drivers.SupplyVoltage), l.Find(drivers.LoadVoltage)
	m.cellScale = l.Channels[0].Scale
	m.tempScale = l.Channels[m.cells].Scale
	m.currentScale = l.Channels[m.current].Scale
	return m, nil
}

// value is the quantity behind a count, without a division where the scale
// needs none.
func (m *channels) value(at int, count int32) int64 {
	if s := &m.layout.Channels[at].Scale; s.Den == 1 {
		return s.Offset + int64(count)*s.Num
	}
	return m.layout.Channels[at].Scale.Value(count)
}
