package guard

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// Edges of everything that concerns the measured current; persistence is
// 200 ms, so the third frame finds it.
func TestCurrentEdges(t *testing.T) {
	shunt := kindAt(drivers.ModuleCurrent)
	tests := []struct {
		name  string
		set   func(r *rig, beyond int64) // beyond: 0 at the limit, 1 one count over
		cause Cause
		at    func(l *drivers.Layout) int
	}{
		{"charge high", func(r *rig, b int64) { r.flow(20_000_000 + 1000*b) }, ChargeHigh, shunt},
		{"discharge high", func(r *rig, b int64) { r.flow(-40_000_000 - 1000*b) }, DischargeHigh, shunt},
		{"nothing commanded, charging", func(r *rig, b int64) { r.kind(drivers.ModuleCurrent, 150_000+1000*b) }, CurrentUncommanded, shunt},
		{"nothing commanded, discharging", func(r *rig, b int64) { r.kind(drivers.ModuleCurrent, -150_000-1000*b) }, CurrentUncommanded, shunt},
		{"more than commanded", func(r *rig, b int64) {
			r.flow(10_000_000)
			r.kind(drivers.ModuleCurrent, 10_150_000+1000*b)
		}, CurrentUncommanded, shunt},
		{"the wrong way", func(r *rig, b int64) {
			r.flow(10_000_000)
			r.kind(drivers.ModuleCurrent, -150_000-1000*b)
		}, CurrentUncommanded, shunt},
		{"INV-15 table at the coldest sensor", func(r *rig, b int64) {
			r.set(r.layout.Temp(4), int64(celsius(9)))
			r.flow(8_000_000 + 1000*b)
		}, ChargeHigh, shunt},
		{"INV-15 table at the hottest sensor", func(r *rig, b int64) {
			r.set(r.layout.Temp(1), int64(celsius(35)))
			r.flow(12_000_000 + 1000*b)
		}, ChargeHigh, shunt},
		{"INV-15 table: a row's first count", func(r *rig, b int64) {
			r.set(r.layout.Temp(4), int64(celsius(10))-50*b)
			r.flow(16_000_000)
		}, ChargeHigh, shunt},
		{"INV-15 table: nothing under its first row", func(r *rig, b int64) {
			r.set(r.layout.Temp(4), int64(celsius(5))-50)
			r.flow(50_000 + 1000*b)
		}, ChargeHigh, shunt},
		{"INV-10 charging a cell under its no-charge voltage", func(r *rig, b int64) {
			r.flow(1_000_000)
			r.set(3, 2_000_000-100*b)
		}, ChargeForbidden, cellAt(3)},
	}
	table := []ChargeRow{{Temp: celsius(5), Current: 8_000_000}, {Temp: celsius(10), Current: 20_000_000}, {Temp: celsius(35), Current: 12_000_000}}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, func(l *Limits) {
				l.ChargeTable = table
				l.LoneMove, l.TempFrozenMove = 0, 0
				l.TempRateMax = 0
				l.CellMin, l.ModuleMin = 1_500_000, 1_500_000*24
			})
			r.x.Steady = false
			tt.set(r, 0)
			r.quiet(10)
			tt.set(r, 1)
			began := r.f.At.Add(r.period)
			n, found := r.wait(10)
			require.Equal(t, 3, n)
			require.Len(t, found, 1, "%v", found)
			require.Equal(t, tt.cause, found[0].Cause)
			require.Equal(t, tt.at(r.layout), found[0].Channel)
			require.Equal(t, began, found[0].Since)
			tt.set(r, 0)
			r.quiet(3)
		})
	}
}

// A dip of the table between the coldest and the hottest sensor holds too.
func TestChargeTableBetweenSensors(t *testing.T) {
	r := newRig(t, func(l *Limits) {
		l.ChargeTable = []ChargeRow{{celsius(0), 20_000_000}, {celsius(20), 5_000_000}, {celsius(30), 20_000_000}}
		l.TempRateMax, l.TempFrozenMove = 0, 0
	})
	r.x.Steady = false
	for i := range 6 {
		r.set(r.layout.Temp(i), int64(celsius(15)))
	}
	r.flow(20_000_000)
	r.quiet(5)
	r.set(r.layout.Temp(0), int64(celsius(31)))
	_, found := r.wait(5)
	require.Equal(t, ChargeHigh, found[0].Cause)
	require.Equal(t, int64(5_000_000), found[0].Limit)
}

// States and contactors.
func TestStates(t *testing.T) {
	settled := func(r *rig, want drivers.Contactors) { r.x.Contactors, r.x.ContactorsSettled = want, true }
	tests := []struct {
		name   string
		set    func(r *rig)
		cause  Cause
		frames int
		text   string
	}{
		{"INV-13 emergency stop", func(r *rig) { r.kind(drivers.BoxState, drivers.BoxEmergencyStop) }, EmergencyStop, 1, "the emergency stop is engaged"},
		{"box fault", func(r *rig) { r.kind(drivers.BoxState, drivers.BoxFault) }, DeviceFault, 1, "the contactor box reports a fault of its own (state 16)"},
		{"supply tripped", func(r *rig) { r.kind(drivers.SupplyState, drivers.PowerTripped) }, DeviceFault, 1, "the supply reports a fault of its own (state 4)"},
		{"load fault", func(r *rig) { r.kind(drivers.LoadState, drivers.PowerFault) }, DeviceFault, 1, "the load reports a fault of its own (state 8)"},
		{"lease ran out while on", func(r *rig) { r.flow(1_000_000); r.kind(drivers.SupplyState, drivers.PowerLeaseOut) }, DeviceFault, 1, "the supply reports a fault of its own (state 16)"},
		{"INV-01 both read on", func(r *rig) { r.flow(1_000_000); r.kind(drivers.LoadState, drivers.PowerOn) }, BothOn, 3, "supply and load are on at once"},
		{"INV-01 both commanded", func(r *rig) { r.flow(1_000_000); r.x.Load = true }, BothOn, 1, "supply and load are on at once"},
		{"contactor open", func(r *rig) {
			settled(r, drivers.BoxNegative|drivers.BoxPositive)
			r.kind(drivers.BoxState, drivers.BoxNegative)
		},
			ContactorMismatch, 3, "contactors closed are negative, commanded are negative+positive,"},
		{"INV-09 contactor welded", func(r *rig) { settled(r, 0); r.kind(drivers.BoxState, drivers.BoxPositive) },
			ContactorMismatch, 3, "contactors closed are positive, commanded are none,"},
		{"unknown box bit", func(r *rig) { r.kind(drivers.BoxState, 32) }, Impossible, 3, "box state reads 32, which it cannot"},
		{"unknown supply bit", func(r *rig) { r.kind(drivers.SupplyState, 1<<20) }, Impossible, 3, "supply state reads 1048576, which it cannot"},
		{"bleed bit of no cell", func(r *rig) { r.f.Counts[r.layout.Bleed(1)] = 1 << 8 }, Impossible, 3, "bleed state 2 reads 256, which it cannot"},
		{"negative counter", func(r *rig) { r.f.Counts[r.layout.Find(drivers.MeterBeat)] = -100 }, Impossible, 3, "meter beat reads -97, which it cannot"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, nil)
			r.x.Steady = false
			r.quiet(3)
			tt.set(r)
			began := r.f.At.Add(r.period)
			n, found := r.wait(5)
			require.Equal(t, tt.frames, n)
			require.Equal(t, tt.cause, found[0].Cause)
			require.Equal(t, tt.text+" since "+utc(began), Describe(found[0], r.layout))
		})
	}
}

// What must not be found: an idle instrument without a lease, contactors that
// still move, all cells bleeding.
func TestStatesThatAreWell(t *testing.T) {
	r := newRig(t, nil)
	r.kind(drivers.SupplyState, drivers.PowerLeaseOut)
	r.kind(drivers.LoadState, drivers.PowerLeaseOut|drivers.PowerVoltage)
	r.x.Contactors, r.x.ContactorsSettled = drivers.BoxNegative, false
	r.f.Counts[r.layout.Bleed(0)], r.f.Counts[r.layout.Bleed(1)] = 0xffff, 0xff
	r.quiet(20)
	r.x.ContactorsSettled = true
	r.kind(drivers.BoxState, drivers.BoxNegative)
	r.quiet(20)
}

// Several things wrong at once: the most telling first, in a fixed order.
func TestOrder(t *testing.T) {
	r := newRig(t, func(l *Limits) { l.LoneMove = 0 })
	r.quiet(3)
	r.f.Counts[2] = drivers.NoReading
	r.set(9, 3_650_000)
	r.set(4, 3_700_000)
	r.set(20, 2_400_000)
	r.kind(drivers.ModuleCurrent, 30_000_000)
	r.x.Steady = false
	r.quiet(2)
	r.next()
	r.kind(drivers.BoxState, drivers.BoxEmergencyStop|drivers.BoxFault)
	var got []Cause
	var at []int
	for _, f := range r.next() {
		got, at = append(got, f.Cause), append(at, f.Channel)
	}
	box, shunt := r.layout.Find(drivers.BoxState), r.layout.Find(drivers.ModuleCurrent)
	require.Equal(t, []Cause{EmergencyStop, CellHigh, CellHigh, CellLow, ChargeHigh, CurrentUncommanded, DeviceFault, Missing}, got)
	require.Equal(t, []int{box, 4, 9, 20, shunt, shunt, box, 2}, at, "the farthest beyond its limit first")
}

// INV-10: a step tightens and never loosens; nil goes back.
func TestTighten(t *testing.T) {
	r := newRig(t, nil)
	r.x.Steady = false
	r.quiet(2)
	require.NoError(t, r.g.Tighten(&Limits{CellMax: 3_500_000, TempMax: celsius(90), ChargeMax: 50_000_000, DischargeMax: 30_000_000}))
	r.set(5, 3_500_100)
	n, found := r.wait(6)
	require.Equal(t, 4, n)
	require.Equal(t, int64(3_500_000), found[0].Limit)
	require.NoError(t, r.g.Tighten(nil))
	r.quiet(3)
	require.NoError(t, r.g.Tighten(&Limits{CellMax: 4_000_000}))
	r.set(5, 3_600_100)
	_, found = r.wait(6)
	require.Equal(t, int64(3_600_000), found[0].Limit, "not loosened")

	r.set(5, 3_300_000)
	r.flow(10_000_000)
	require.NoError(t, r.g.Tighten(&Limits{ChargeTable: []ChargeRow{{celsius(0), 9_000_000}}}))
	_, found = r.wait(6)
	require.Equal(t, ChargeHigh, found[0].Cause)
	require.Equal(t, int64(9_000_000), found[0].Limit)
	r.g.Reset(r.f.At)
	r.quiet(5)

	require.ErrorContains(t, r.g.Tighten(&Limits{CellMax: 2_000_000}), "cell_min 2500000 uV must be under cell_max 2000000 uV")
	require.ErrorContains(t, r.g.Tighten(&Limits{ChargeTable: []ChargeRow{{5, 1}, {5, 1}}}), "charge_table row 2")
	r.quiet(5) // the refused limits left the present ones alone
}
