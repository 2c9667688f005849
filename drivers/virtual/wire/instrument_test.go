package wire

import (
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// The thirteen mandatory common commands (IEEE 488.2, from memory) and what their
// answers are: *ESR? reads and clears, *OPC? is 1, *TST? is 0, *IDN? has four
// fields (check-values, as quoted in instrument manuals).
func TestCommonCommands(t *testing.T) {
	for _, d := range []virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad, virtual.DeviceMeter} {
		t.Run(string(d), func(t *testing.T) {
			r := newRig(t, nil)
			p := dial(t, r.address(d))
			fields := strings.Split(p.ask("*IDN?"), ",")
			require.Equal(t, []string{"rigwarden", "virtual " + string(d), "workshop-7", "1"}, fields)
			require.Equal(t, "128", p.ask("*ESR?"), "power on")
			require.Equal(t, "0", p.ask("*ESR?"), "reading clears")
			require.Equal(t, "1;0", p.ask("*OPC?;*TST?"))
			p.send("*OPC")
			require.Equal(t, "1", p.ask("*ESR?"))
			p.obey("*ESE 255;*SRE 255;*WAI;*RST;*CLS")
			require.Equal(t, "255;191", p.ask("*ESE?;*SRE?"), "enables outlive *CLS; bit 6 of *SRE cannot be set")
			require.Equal(t, "1999.0", p.ask("SYSTEM:VERSION?"))
			p.refuse("*ESE 256", `-222,"Data out of range"`)
			p.refuse("*ESE", `-109,"Missing parameter"`)
			p.refuse("*CLS 1", `-108,"Parameter not allowed"`)
			p.refuse("*XYZ", `-113,"Undefined header"`)
			p.refuse("NONSENSE:THIS", `-113,"Undefined header"`)
		})
	}
}

func (r *rig) address(d virtual.Device) string {
	a := r.s.Addresses()
	return map[virtual.Device]string{
		virtual.DeviceSupply: a.Supply, virtual.DeviceLoad: a.Load, virtual.DeviceMeter: a.Meter, virtual.DeviceBox: a.Box,
	}[d]
}

// The status byte (IEEE 488.2, 11.2, and SCPI-1999): bits 2, 4, 5 and 6, as
// listed in check-values.
func TestStatusByte(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceSupply))
	p.send("*CLS")
	require.Equal(t, "0", p.ask("*STB?"))
	p.send("*ESE 32;*SRE 32;BOGUS")
	// Error queue, enabled command error, master summary.
	require.Equal(t, strconv.Itoa(0x04|0x20|0x40), p.ask("*STB?"))
	require.Equal(t, "1;"+strconv.Itoa(0x04|0x10|0x20|0x40), p.ask("*OPC?;*STB?"), "a response waits")
	require.Equal(t, "32", p.ask("*ESR?"))
	require.Equal(t, "4", p.ask("*STB?"), "the queue is not empty yet")
	require.Equal(t, `-113,"Undefined header"`, p.ask("SYST:ERR?"))
	require.Equal(t, "0", p.ask("*STB?"))
	p.send("*CLS;VOLT 1E9;CURR 1")
	require.Equal(t, strconv.Itoa(0x10), p.ask("*ESR?"), "execution error; the rest was carried out")
	require.Equal(t, "1.000000000E+00", p.ask("CURR?"))
	p.send("*CLS;BOGUS;CURR 2")
	require.Equal(t, "1.000000000E+00", p.ask("CURR?"), "a command error ends the message")
}

// *IDN? has a response without an end that a parser could find, so that no query
// follows it in a message (IEEE 488.2, 10.14, from memory; -440 in SCPI-1999
// 21.8).
func TestQueryAfterIndefinite(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceMeter))
	require.NotContains(t, p.ask("*IDN?;*OPC?"), ";")
	require.Equal(t, `-440,"Query UNTERMINATED after indefinite response"`, p.ask("SYST:ERR?"))
	require.Equal(t, strconv.Itoa(0x80|0x04), p.ask("*ESR?"), "power on, query error")
}

// More answers than the output queue holds are lost, with a query error
// (SCPI-1999 vol. 2, 21.8.13: -430, as quoted in check-values).
func TestQueryDeadlocked(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceSupply))
	p.send("*CLS;VOLT?" + strings.Repeat(";VOLT?", 400))
	require.Equal(t, "4", p.ask("*ESR?"))
	require.Equal(t, `-430,"Query DEADLOCKED"`, p.ask("SYST:ERR?"))
	require.Len(t, strings.Split(p.ask("VOLT?"+strings.Repeat(";VOLT?", 199)), ";"), 200)
}

// Twenty errors fit; then the newest says that more came.
func TestErrorsOverflow(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceLoad))
	for range 1000 {
		p.send("CURR -1")
	}
	require.Equal(t, "20", p.ask("SYST:ERR:COUN?"))
	all := strings.Split(p.ask("SYST:ERR:ALL?"), ",-")
	require.Len(t, all, 20)
	assert.Equal(t, `222,"Data out of range"`, all[1])
	assert.Equal(t, `350,"Queue overflow"`, all[19])
	require.Equal(t, `0,"No error"`, p.ask("SYST:ERR?"))
}

// Both line ends are heard; answers end with a line feed. A message over the
// input buffer is lost to its end with -363, and the next one is heard.
func TestTermination(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceSupply))
	require.Equal(t, "1", p.ask("*OPC?\r"))
	require.Equal(t, "1", p.ask("*OPC?"))
	_, err := p.Write([]byte("*OP"))
	require.NoError(t, err)
	require.Equal(t, "1", p.ask("C?"), "a message in two pieces")
	p.send(strings.Repeat("9", 3*messageMax))
	require.Equal(t, `-363,"Input buffer overrun"`, p.ask("SYST:ERR?"))
	require.Equal(t, `0,"No error"`, p.ask("SYST:ERR?"))
	p.send("\n\r\n ;;")
	require.Equal(t, `0,"No error"`, p.ask("SYST:ERR?"), "empty messages mean nothing")
}

// Connections share the instrument and nothing else: half a message of one never
// meets the other's.
func TestTwoConnections(t *testing.T) {
	r := newRig(t, nil)
	a, b := dial(t, r.address(virtual.DeviceSupply)), dial(t, r.address(virtual.DeviceSupply))
	_, err := a.Write([]byte("VOLT 1"))
	require.NoError(t, err)
	b.obey("VOLT 20")
	require.Equal(t, "2.000000000E+01", b.ask("VOLT?"))
	a.obey("5")
	require.Equal(t, "1.500000000E+01", b.ask("VOLT?"))
}

func TestExclusive(t *testing.T) {
	r := newRig(t, func(_ *virtual.Config, c *Config) { c.Exclusive = true })
	a := dial(t, r.address(virtual.DeviceSupply))
	require.Equal(t, "1", a.ask("*OPC?"))
	b := dial(t, r.address(virtual.DeviceSupply))
	_, err := b.r.ReadByte()
	require.Error(t, err, "a second connection is closed")
	require.Equal(t, "1", a.ask("*OPC?"))
}

// Registers of a supply: levels, bounds, defaults, roundings to the instrument's
// steps, and the conflicts.
func TestRegisters(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceSupply))
	p.obey("SOUR:VOLT 84.126;CURR 12.5 A")
	require.Equal(t, "8.413000000E+01;1.250000000E+01", p.ask("VOLT?;CURR?"), "10 mV and 10 mA steps")
	require.Equal(t, "1.200000000E+02;0.000000000E+00", p.ask("VOLT? MAX;VOLT? MIN"))
	p.refuse("VOLT? 5", `-224,"Illegal parameter value"`)
	require.Equal(t, "1.200000000E+02;6.000000000E+01;1;1", p.ask("VOLT:PROT?;:CURR:PROT?;:VOLT:PROT:STAT?;:CURR:PROT:STAT?"))
	p.obey("VOLT:PROT 90;:CURR:PROT MIN;:CURR:PROT:STAT OFF")
	require.Equal(t, "9.000000000E+01;0.000000000E+00;0", p.ask("VOLT:PROT?;:CURR:PROT?;:CURR:PROT:STAT?"))
	p.refuse("CURR 60.01", `-222,"Data out of range"`)
	p.refuse("VOLT 84 A", `-131,"Invalid suffix"`)
	p.refuse("VOLT", `-109,"Missing parameter"`)
	p.refuse("VOLT 1,2", `-108,"Parameter not allowed"`)
	p.refuse("OUTP MAYBE", `-224,"Illegal parameter value"`)
	p.obey("SYST:COMM:TIM 1500 MS")
	require.Equal(t, "1.500000000E+00;0", p.ask("SYST:COMM:TIM?;TIM:TRIP?"))
	p.refuse("SYST:COMM:TIM 2.1", `-222,"Data out of range"`)
	p.obey("*RST")
	require.Equal(t, "0.000000000E+00;1.200000000E+02;0.000000000E+00", p.ask("VOLT?;VOLT:PROT?;:SYST:COMM:TIM?"))

	load := dial(t, r.address(virtual.DeviceLoad))
	load.obey("FUNC:MODE CURR;:VOLT:LIM:LOW 60;:CURR 3")
	require.Equal(t, "CURR;6.000000000E+01", load.ask("FUNC:MODE?;:SOUR:VOLT:LIM:LOW?"))
	load.send("FUNC:MODE VOLT")
	require.Contains(t, load.ask("SYST:ERR?"), `-224,"Illegal parameter value;`)
	load.refuse("OUTP ON", `-113,"Undefined header"`)
}

// connect precharges and closes by the box's registers.
func (r *rig) connect() {
	r.t.Helper()
	box := dialBox(r.t, r.address(virtual.DeviceBox))
	beat := uint16(0)
	until := func(command uint16, d drivers.Span) {
		for ; d > 0; d -= 100 * drivers.Millisecond {
			beat++
			require.Zero(r.t, box.write(holdCommand, command, beat))
			r.advance(100 * drivers.Millisecond)
		}
	}
	until(drivers.BoxNegative|drivers.BoxPrecharge, drivers.Second)
	until(drivers.BoxNegative|drivers.BoxPrecharge|drivers.BoxPositive, drivers.Second/2)
	until(drivers.BoxNegative|drivers.BoxPositive, drivers.Second/2)
	r.heart = func() {
		beat++
		require.Zero(r.t, box.write(holdHeartbeat, beat))
	}
}

// run lets time pass while the box's heart beats.
func (r *rig) run(d drivers.Span) {
	for ; d > 0; d -= 100 * drivers.Millisecond {
		r.advance(min(d, 100*drivers.Millisecond))
		if r.heart != nil {
			r.heart()
		}
	}
}

func value(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// A supply charges, says that it holds the current, then the voltage, and goes
// off; its record has the true instants.
func TestSupplyCharges(t *testing.T) {
	r := newRig(t, nil)
	r.connect()
	p, m := dial(t, r.address(virtual.DeviceSupply)), dial(t, r.address(virtual.DeviceMeter))
	p.obey("VOLT 90;CURR 10;:OUTP ON")
	r.run(drivers.Second)
	require.Equal(t, "1", p.ask("OUTP?"))
	assert.InDelta(t, 10, value(t, p.ask("MEAS:CURR?")), 0.011, "10 mA steps, no other error")
	assert.InDelta(t, value(t, m.ask("MEAS:VOLT:DC?")), value(t, p.ask("MEAS?")), 0.2, "10 A over leads and contacts")
	assert.InDelta(t, 10*value(t, p.ask("MEAS:VOLT?")), value(t, p.ask("MEAS:POW?")), 1)
	require.Equal(t, strconv.Itoa(questionVoltage), p.ask("STAT:QUES:COND?"), "the voltage is not regulated")
	volts := value(t, m.ask("READ?"))
	p.obey("VOLT " + strconv.FormatFloat(volts-1, 'f', 3, 64))
	r.run(drivers.Second)
	require.Equal(t, strconv.Itoa(questionCurrent), p.ask("STAT:QUES:COND?"), "the current is not regulated")
	require.Equal(t, strconv.Itoa(questionCurrent|questionVoltage), p.ask("STAT:QUES?"), "events since")
	require.Equal(t, "0", p.ask("STAT:QUES?"), "reading clears")
	p.obey("VOLT 90")
	r.run(drivers.Second)
	at := r.clock.Load()
	p.obey("OUTP OFF")
	r.run(drivers.Second)
	lines := r.told.lines(t)
	zero := slices.IndexFunc(lines, func(l Line) bool { return l.Word == Zero && int64(l.At) > at })
	off := slices.IndexFunc(lines, func(l Line) bool { return l.Word == OutputOff && int64(l.At) > at })
	heard := slices.IndexFunc(lines, func(l Line) bool { return l.Text == "OUTP OFF" })
	require.True(t, 0 < heard && heard < off && off < zero, "%v", lines)
	assert.Equal(t, at, int64(lines[heard].At))
	assert.Equal(t, ByCommand, lines[off].Text)
	// Declared: 100 ms at most to the first reaction, 10 A at 100 A/s.
	assert.LessOrEqual(t, lines[off].At.Sub(drivers.Instant(at)), 100*drivers.Millisecond)
	assert.InDelta(t, 100, float64(lines[zero].At.Sub(lines[off].At))/1000, 2)
	assert.Contains(t, r.truth.String(), strconv.FormatInt(int64(lines[zero].At), 10)+" zero ", "the bench's truth log agrees")
}

// The output goes on when the connection breaks, as a real one's does, until the
// instrument's own timeout; then it stays off until it is cleared.
func TestSilence(t *testing.T) {
	r := newRig(t, nil)
	r.connect()
	p := dial(t, r.address(virtual.DeviceLoad))
	p.obey("CURR 10;:INP ON")
	r.run(drivers.Second)
	require.NoError(t, p.Close())
	r.run(10 * drivers.Second)
	require.EqualValues(t, 10_000_000, r.load(), "no timeout was set")

	p = dial(t, r.address(virtual.DeviceLoad))
	p.obey("SYST:COMM:TIM 0.5")
	for range 20 {
		r.run(drivers.Second / 4)
		require.Equal(t, "1", p.ask("INP?"), "any message feeds it")
	}
	heard := drivers.Instant(r.clock.Load())
	require.NoError(t, p.Close())
	r.run(drivers.Second)
	lines := r.told.lines(t)
	off := lines[slices.IndexFunc(lines, func(l Line) bool { return l.Word == OutputOff })]
	assert.Equal(t, BySilence, off.Text)
	assert.Equal(t, drivers.Second/2, off.At.Sub(heard), "to the microsecond")
	require.Zero(t, r.load())

	p = dial(t, r.address(virtual.DeviceLoad))
	require.Equal(t, "0;1;2048", p.ask("INP?;:SYST:COMM:TIM:TRIP?;:STAT:QUES:COND?"))
	p.refuse("INP ON", `-221,"Settings conflict;communication timeout ran out; clear it first"`)
	p.obey("SYST:COMM:TIM:CLE;:INP ON")
	r.run(drivers.Second / 2)
	require.EqualValues(t, 10_000_000, r.load(), "registers are as they were")
}

func (r *rig) load() (i drivers.Microamps) {
	r.rt.Do(func(b *virtual.Bench) { i = b.Truth().Load })
	return i
}

// Own limits trip, latch, and are told apart.
func TestTrips(t *testing.T) {
	r := newRig(t, nil)
	r.connect()
	p := dial(t, r.address(virtual.DeviceSupply))
	p.obey("VOLT 90;CURR 10;CURR:PROT 5;:OUTP ON")
	r.run(drivers.Second)
	require.Equal(t, "0;1;0", p.ask("OUTP?;:CURR:PROT:TRIP?;:VOLT:PROT:TRIP?"))
	p.refuse("OUTP ON", `-221,"Settings conflict;a protection has tripped; clear it first"`)
	p.obey("VOLT:PROT:CLE")
	require.Equal(t, "1", p.ask("CURR:PROT:TRIP?"), "the other limit's clear does not clear it")
	p.obey("CURR:PROT:CLE;:CURR:PROT:STAT 0;:OUTP ON")
	r.run(drivers.Second)
	require.Equal(t, "1;0", p.ask("OUTP?;:CURR:PROT:TRIP?"), "a limit that is not in force")
	p.obey("VOLT:PROT 50")
	r.run(drivers.Second)
	require.Equal(t, "0;1;0", p.ask("OUTP?;:VOLT:PROT:TRIP?;:CURR:PROT:TRIP?"))
	require.Equal(t, strconv.Itoa(questionOverVoltage), p.ask("STAT:QUES:COND?"))
	var why []string
	for _, l := range r.told.lines(t) {
		if l.Word == OutputOff {
			why = append(why, l.Text)
		}
	}
	require.Equal(t, []string{ByTrip, ByTrip}, why)
}

// Faults of the bench show at the instruments: one that hangs hears nothing and
// goes on; one that ignores commands acknowledges them.
func TestInstrumentFaults(t *testing.T) {
	now := virtual.Trigger{On: virtual.AfterStart}
	t.Run("hangs", func(t *testing.T) {
		r := newRig(t, nil)
		r.connect()
		p := dial(t, r.address(virtual.DeviceSupply))
		p.obey("VOLT 90;CURR 10;:SYST:COMM:TIM 2;:OUTP ON")
		r.run(drivers.Second)
		require.NoError(t, r.s.Inject(virtual.Fault{Kind: virtual.DriverHangs, Device: virtual.DeviceSupply, When: now}))
		r.run(drivers.Second / 2)
		p.send("*OPC?")
		require.NoError(t, p.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
		_, err := p.r.ReadByte()
		require.ErrorIs(t, err, os.ErrDeadlineExceeded)
		var truth virtual.Truth
		look := func() drivers.Microamps {
			r.rt.Do(func(b *virtual.Bench) { truth = b.Truth() })
			return truth.Supply
		}
		require.EqualValues(t, 10_000_000, look(), "it goes on as it was")
		r.run(drivers.Second)
		require.Zero(t, look(), "what it cannot hear does not feed its timeout")
	})
	t.Run("ignores", func(t *testing.T) {
		r := newRig(t, nil)
		r.connect()
		p := dial(t, r.address(virtual.DeviceSupply))
		p.obey("VOLT 90;CURR 10;:OUTP ON")
		r.run(drivers.Second)
		require.NoError(t, r.s.Inject(virtual.Fault{Kind: virtual.CommandsIgnored, Device: virtual.DeviceSupply, When: now}))
		r.run(drivers.Second / 10)
		p.obey("OUTP OFF")
		r.run(drivers.Second)
		require.Equal(t, "0", p.ask("OUTP?"), "what it was told")
		assert.InDelta(t, 10, value(t, p.ask("MEAS:CURR?")), 0.02, "what it does")
	})
	t.Run("dies", func(t *testing.T) {
		r := newRig(t, nil)
		r.connect()
		p := dial(t, r.address(virtual.DeviceSupply))
		p.obey("VOLT 90;CURR 10;:OUTP ON")
		r.run(drivers.Second)
		require.NoError(t, r.s.Inject(virtual.Fault{Kind: virtual.SupplyDies, When: now}))
		r.run(drivers.Second)
		require.Equal(t, "0;16", p.ask("OUTP?;:STAT:QUES:COND?"))
		p.refuse("OUTP ON", `-221,"Settings conflict;hardware fault"`)
	})
	t.Run("reads nothing", func(t *testing.T) {
		r := newRig(t, func(c *virtual.Config, _ *Config) {
			c.Faults = []virtual.Fault{{Kind: virtual.MeterReadsOff, When: now, Voltage: 3_000_000}}
		})
		m := dial(t, r.address(virtual.DeviceMeter))
		before := value(t, m.ask("MEAS:VOLT?"))
		r.run(drivers.Second)
		assert.InDelta(t, before+3, value(t, m.ask("MEAS:VOLT?")), 0.05)
	})
}

// A reading that is none is SCPI's not-a-number, never a voltage (SCPI-1999 vol.
// 1, 7.2.1.5: 9.91E37, as quoted in check-values).
func TestNotANumber(t *testing.T) {
	require.Equal(t, "9.91E37", reading(drivers.NoReading, 100))
	require.Equal(t, "-1.234560000E-01", reading(-123456, 1))
	require.Equal(t, 2147.483647, value(t, reading(math.MaxInt32, 1)), "to the microvolt")
}

// A query over the loopback takes well under a millisecond: the median of 300.
func TestQueryTime(t *testing.T) {
	r := newRig(t, nil)
	p := dial(t, r.address(virtual.DeviceSupply))
	took := make([]time.Duration, 300)
	for i := range took {
		from := time.Now()
		p.ask("MEAS:VOLT?")
		took[i] = time.Since(from)
	}
	slices.Sort(took)
	t.Logf("query: median %v, p99 %v", took[150], took[297])
	require.Less(t, took[150], time.Millisecond)
}
