package host

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

// told is what a good plugin of a supply says.
func told() *driverv1.DescribeResponse {
	channel := func(k drivers.Kind, num, den int64) *driverv1.Channel {
		return &driverv1.Channel{Kind: driverv1.Kind(k), Num: num, Den: den}
	}
	return &driverv1.DescribeResponse{
		Bench: "p", PeriodUs: ptr(int64(1000)), LinkPeriodUs: ptr(int64(1000)), LeaseUs: ptr(int64(100_000)), SchedulingUs: ptr(int64(0)),
		Devices: []*driverv1.Device{{Role: driverv1.Role_ROLE_SUPPLY, Serial: "S"}},
		// In another order than the bench's, and at other steps.
		Channels: []*driverv1.Channel{
			channel(drivers.SupplyBeat, 1, 1), channel(drivers.SupplyState, 1, 1),
			channel(drivers.SupplyCurrent, 20_000, 1), channel(drivers.SupplyVoltage, 2000, 1),
		},
	}
}

func matched(r *driverv1.DescribeResponse, roles ...Role) (*channelMap, error) {
	d, err := descriptionFromWire(r)
	if err != nil {
		return nil, err
	}
	b := testBench() // 1 mV, 1 mA
	l, err := b.Layout()
	if err != nil {
		return nil, err
	}
	return d.match(l, roles)
}

// Counts are found by kind and converted without rounding; what the bench
// cannot count is no reading (INV-02).
func TestChannelMap(t *testing.T) {
	m, err := matched(told(), RoleSupply)
	require.NoError(t, err)
	l := testLayout(t)
	got := m.counts([]int32{7, 3, -5, 40_000})
	require.Len(t, got, len(l.Channels))
	require.Equal(t, []int32{7, 3, -100, 80_000}, []int32{got[l.Find(drivers.SupplyBeat)], got[l.Find(drivers.SupplyState)],
		got[l.Find(drivers.SupplyCurrent)], got[l.Find(drivers.SupplyVoltage)]})
	require.Equal(t, drivers.NoReading, got[l.Cell(0)])
	got = m.counts([]int32{math.MaxInt32, 0, math.MaxInt32 / 20, drivers.NoReading})
	require.EqualValues(t, math.MaxInt32, got[l.Find(drivers.SupplyBeat)])
	require.EqualValues(t, math.MaxInt32/20*20, got[l.Find(drivers.SupplyCurrent)])
	require.Equal(t, drivers.NoReading, got[l.Find(drivers.SupplyVoltage)])
	require.Equal(t, drivers.NoReading, m.counts([]int32{0, 0, math.MaxInt32/20 + 1, 0})[l.Find(drivers.SupplyCurrent)])
	require.Equal(t, l.Find(drivers.SupplyCurrent), m.channel(2))
	require.Equal(t, -1, m.channel(-1))

	// Offsets and fractions that come out whole.
	r := told()
	r.Channels[3].Num, r.Channels[3].Den, r.Channels[3].Offset = 7000, 7, 500_000
	m, err = matched(r, RoleSupply)
	require.NoError(t, err)
	require.EqualValues(t, 500+12, m.counts([]int32{0, 0, 0, 12})[l.Find(drivers.SupplyVoltage)])

	// What a role that was not asked for sends does not matter.
	r = told()
	r.Devices = append(r.Devices, &driverv1.Device{Role: driverv1.Role_ROLE_LOAD})
	r.Channels = append(r.Channels, &driverv1.Channel{Kind: driverv1.Kind(drivers.LoadVoltage), Num: 7, Den: 3})
	m, err = matched(r, RoleSupply)
	require.NoError(t, err)
	require.Equal(t, drivers.NoReading, m.counts([]int32{0, 0, 0, 0, 9})[l.Find(drivers.LoadVoltage)])
}

// What a plugin tells wrongly is refused with a reason.
func TestChannelMapRefuses(t *testing.T) {
	for want, spoil := range map[string]func(*driverv1.DescribeResponse){
		"it serves nothing and no supply":                     func(r *driverv1.DescribeResponse) { r.Devices = nil },
		"it serves load and no supply":                        func(r *driverv1.DescribeResponse) { r.Devices[0].Role = driverv1.Role_ROLE_LOAD },
		"device of role 9":                                    func(r *driverv1.DescribeResponse) { r.Devices[0].Role = 9 },
		"device of role 0":                                    func(r *driverv1.DescribeResponse) { r.Devices[0].Role = 0 },
		"two devices are the supply":                          func(r *driverv1.DescribeResponse) { r.Devices = append(r.Devices, r.Devices[0]) },
		"it sends no supply_beat":                             func(r *driverv1.DescribeResponse) { r.Channels = r.Channels[1:] },
		"channel 1 is of kind 99":                             func(r *driverv1.DescribeResponse) { r.Channels[1].Kind = 99 },
		"channel 0 is of kind 0":                              func(r *driverv1.DescribeResponse) { r.Channels[0].Kind = 0 },
		"supply_state appears twice":                          func(r *driverv1.DescribeResponse) { r.Channels[0].Kind = r.Channels[1].Kind },
		"expected index 0":                                    func(r *driverv1.DescribeResponse) { r.Channels[2].Index = 1 },
		"must be positive":                                    func(r *driverv1.DescribeResponse) { r.Channels[2].Den = 0 },
		"parts up to 2147483647":                              func(r *driverv1.DescribeResponse) { r.Channels[2].Num = math.MaxInt64 },
		"let the bench file say the driver's step":            func(r *driverv1.DescribeResponse) { r.Channels[2].Num = 1500 },
		"supply_voltage comes at 2000/1+500":                  func(r *driverv1.DescribeResponse) { r.Channels[3].Offset = 500 },
		"supply_current comes at 1000/3+0":                    func(r *driverv1.DescribeResponse) { r.Channels[2].Num, r.Channels[2].Den = 1000, 3 },
		"supply_voltage) has the offset -9223372036854775808": func(r *driverv1.DescribeResponse) { r.Channels[3].Num, r.Channels[3].Offset = 1000, math.MinInt64 },
		"supply_voltage comes at 1000/1-1000000000000":        func(r *driverv1.DescribeResponse) { r.Channels[3].Num, r.Channels[3].Offset = 1000, -offsetMost },
		"supply_beat comes at 2/1+0":                          func(r *driverv1.DescribeResponse) { r.Channels[0].Num = 2 },
		"period_us is missing":                                func(r *driverv1.DescribeResponse) { r.PeriodUs = nil },
		"lease_us is missing":                                 func(r *driverv1.DescribeResponse) { r.LeaseUs = nil },
		"period 0 us":                                         func(r *driverv1.DescribeResponse) { *r.PeriodUs = 0 },
	} {
		t.Run(want, func(t *testing.T) {
			r := told()
			spoil(r)
			_, err := matched(r, RoleSupply)
			require.ErrorIs(t, err, ErrImpossible)
			require.ErrorContains(t, err, want)
		})
	}
	// A channel of a role asked for that the bench has not.
	r := told()
	r.Channels = append([]*driverv1.Channel{}, r.Channels...)
	r.Devices = append(r.Devices, &driverv1.Device{Role: driverv1.Role_ROLE_BOX})
	for _, k := range []drivers.Kind{drivers.LinkVoltage, drivers.BoxCurrent, drivers.BoxState, drivers.BoxBeat} {
		r.Channels = append(r.Channels, &driverv1.Channel{Kind: driverv1.Kind(k), Num: 1000, Den: 1})
	}
	r.Channels[len(r.Channels)-2].Num, r.Channels[len(r.Channels)-1].Num, r.Channels[len(r.Channels)-3].Num = 1, 1, 10_000
	_, err := matched(r, RoleBox)
	require.NoError(t, err)
	d, err := descriptionFromWire(r)
	require.NoError(t, err)
	b := testBench()
	b.Box.CurrentStep = 0
	l, err := b.Layout()
	require.NoError(t, err)
	_, err = d.match(l, []Role{RoleBox})
	require.ErrorContains(t, err, "box_current, which the bench file has not")
}
