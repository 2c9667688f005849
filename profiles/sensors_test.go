package profiles

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

const sensorText = `
thermometers:
  driver: modbus
  address: rtu:/dev/ttyUSB0?baud=19200
  registers: common-thermometer
  identity: {model: eight inputs}
  period: 500 ms
  sensors: [4, 2]

insulation:
  driver: modbus
  address: tcp:10.0.0.7:502
  registers: earth.yaml
  at_least: 500 Ohm/V
`

func TestThermometersAndInsulation(t *testing.T) {
	b := benchOf(t, wiresText(t)+sensorText)
	require.Equal(t, &Thermometers{
		Wire:    drivers.Wire{Driver: "modbus", Address: "rtu:/dev/ttyUSB0?baud=19200", Map: "common-thermometer", Expect: drivers.Identity{Model: "eight inputs"}},
		Sensors: []int{3, 1}, Period: 500 * drivers.Millisecond,
	}, b.Thermometers)
	assert.Equal(t, 2_500*drivers.Millisecond, b.Thermometers.MaxAge())
	assert.Equal(t, 2, b.MonitorTemps(), "the monitor itself reads the other two of four")
	require.Equal(t, &Insulation{Wire: drivers.Wire{Driver: "modbus", Address: "tcp:10.0.0.7:502", Map: "earth.yaml"}, Least: 500_000}, b.Insulation)

	list := b.Instruments()
	require.Len(t, list, 7)
	assert.Equal(t, Instrument{"thermometers", b.Thermometers.Wire}, list[5])
	assert.Equal(t, Instrument{"insulation", b.Insulation.Wire}, list[6])

	plain := libraryBench(t, "practice-wires")
	assert.Nil(t, plain.Thermometers)
	assert.Nil(t, plain.Insulation)
	assert.Equal(t, 4, plain.MonitorTemps())
}

// The least resistances of GB 38031-2025, 5.2 (as quoted): 400 V at 100 Ohm/V
// is 40 kOhm, 800 V is 80 kOhm, and where a.c. is connected, 500 Ohm/V, 400 V is
// 200 kOhm. UN R100 has the same limits for each volt (as quoted).
func TestLeastInsulation(t *testing.T) {
	for _, x := range []struct {
		perVolt  int64
		voltage  drivers.Microvolts
		kiloOhms drivers.Microohms
	}{{100_000, 400 * drivers.Volt, 40}, {100_000, 800 * drivers.Volt, 80}, {500_000, 400 * drivers.Volt, 200}} {
		i := Insulation{Least: x.perVolt}
		assert.Equal(t, x.kiloOhms*1_000_000_000, i.Needs(x.voltage))
	}
	// What does not come out whole is rounded to the safe side.
	assert.EqualValues(t, 1, (&Insulation{Least: 1}).Needs(1))
}

// INV-12: what thermometers read is older than the monitor's own readings, and
// a cell warms for that much longer before it is seen.
func TestThermometersCostTheirAge(t *testing.T) {
	p, m := shippedProfile(t, "quick"), libraryModule(t, "QK-01")
	without := BudgetOf(p, m, libraryBench(t, "practice-wires"))
	with := BudgetOf(p, m, benchOf(t, wiresText(t)+sensorText))
	// Read every half a second, five of which a reading may be old.
	assert.Equal(t, 2500*drivers.Millisecond, with.TempPath-without.TempPath)
	// 3 K/min for that long.
	assert.InDelta(t, 125, int64(with.Temp-without.Temp), 1)
	assert.Equal(t, without.Cell, with.Cell)
}
