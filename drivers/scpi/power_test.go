package scpi_test

import (
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/scpi"
)

// commands are the messages that set something and are not the marker.
func commands(log []string) (list []string) {
	for _, m := range log {
		if !strings.Contains(m, "?") && !strings.HasPrefix(m, "*ESE ") {
			list = append(list, m)
		}
	}
	return list
}

func TestRead(t *testing.T) {
	f := newFake(t)
	p := supplyAt(t, scpi.Options{Address: f.address})
	r, err := p.Read(patience(t))
	require.NoError(t, err)
	assert.Equal(t, drivers.Reading{Voltage: 5120, Current: 250, Beat: 1}, r)
	f.put("OUTP", "1")
	f.put("STAT:QUES:COND", "18")
	r, err = p.Read(patience(t))
	require.NoError(t, err)
	assert.Equal(t, drivers.Reading{Voltage: 5120, Current: 250, Beat: 2,
		State: drivers.PowerOn | drivers.PowerVoltage | drivers.PowerFault}, r)
}

// INV-02: 9.91E37 is "not a number" (SCPI-1999, as quoted in a BSD-licensed SCPI
// parser): no reading, and no measurement that would count; infinity cannot be.
func TestNotANumber(t *testing.T) {
	f := newFake(t)
	p := supplyAt(t, scpi.Options{Address: f.address})
	for _, nan := range []string{"9.91E37", "+9.910000E+37", "9.91e+37"} {
		f.put("MEAS:VOLT", nan)
		r, err := p.Read(patience(t))
		require.NoError(t, err)
		assert.Equal(t, drivers.Reading{Voltage: drivers.NoReading, Current: 250}, r, nan)
	}
	for _, inf := range []string{"9.9E37", "-9.9E37", "+9.900000E+37"} {
		f.put("MEAS:VOLT", inf)
		_, err := p.Read(patience(t))
		require.ErrorIs(t, err, scpi.ErrReply, inf)
		assert.ErrorContains(t, err, "MEAS:VOLT? -> \""+inf)
	}
	f.put("MEAS:VOLT", "51.2")
	r, err := p.Read(patience(t))
	require.NoError(t, err)
	assert.EqualValues(t, 1, r.Beat)
}

// INV-08: off first, limits set and read back, trips cleared, and nothing on.
func TestArm(t *testing.T) {
	f := newFake(t)
	f.put("SOUR:VOLT:PROT:TRIP", "1")
	p := supplyAt(t, scpi.Options{Address: f.address})
	require.ErrorIs(t, p.Set(patience(t), fakeSet), drivers.ErrRefused)
	f.messages()
	got, err := p.Arm(patience(t), drivers.Protection{VoltageMax: 75_123_456, CurrentMax: 90 * drivers.Ampere, CommTimeout: 1_234_567})
	require.NoError(t, err)
	assert.Equal(t, drivers.Protection{VoltageMax: 75_120_000, CurrentMax: 60 * drivers.Ampere, CommTimeout: 1_234_000}, got)
	assert.Equal(t, []string{"OUTP OFF",
		"SOUR:VOLT:PROT 75.1200", "SOUR:VOLT:PROT:STAT ON", "SOUR:CURR:PROT 60.0000", "SOUR:CURR:PROT:STAT ON",
		"SYST:COMM:TIM 1.234", "SOUR:VOLT:PROT:CLE", "SOUR:CURR:PROT:CLE", "SYST:COMM:TIM:CLE"}, commands(f.messages()))
	r, err := p.Read(patience(t))
	require.NoError(t, err)
	assert.Zero(t, r.State)
}

// An instrument that reads back a wider limit than asked, or a limit of another
// kind, does not guard what it should.
func TestArmReadsBack(t *testing.T) {
	for _, x := range []struct{ header, says, want string }{
		{"SOUR:VOLT:PROT?", "75.01", "reads back 75010000"},
		{"SOUR:VOLT:PROT?", "0", "reads back 0"},
		{"SOUR:CURR:PROT?", "-30", "reads back -30000000"},
		{"SOUR:CURR:PROT?", "9.91E37", "not a number"},
		{"SOUR:CURR:PROT?", "ON", "no number"},
		{"SYST:COMM:TIM?", "0", "reads back 0"},
		{"SYST:COMM:TIM?", "60", "reads back 60000000"},
		{"SOUR:VOLT:PROT:TRIP?", "1", "a limit has tripped"},
		{"SYST:COMM:TIM:TRIP?", "1", "silence limit ran out"},
		{"STAT:QUES:COND?", "16", "reports a fault"},
	} {
		f := newFake(t)
		f.says(x.header, x.says+"\n")
		p := supplyAt(t, scpi.Options{Address: f.address})
		_, err := p.Arm(patience(t), fakeLimits)
		require.ErrorContains(t, err, x.want, x.header)
		f.straight(x.header)
		refused := drivers.ErrRefused
		if x.header == "SYST:COMM:TIM:TRIP?" {
			refused = drivers.ErrLease
		}
		require.ErrorIs(t, p.Set(patience(t), fakeSet), refused, x.header)
		assert.NotContains(t, f.messages(), "OUTP ON")
	}
}

// Of two values the one that restricts goes first, so that on the way no more
// is allowed than before or after.
func TestSetOrder(t *testing.T) {
	type point struct{ amps, volts int64 }
	for _, x := range []struct {
		role     string
		from, to point
		want     []string
	}{
		{"supply", point{5, 60}, point{10, 50}, []string{"SOUR:VOLT 50.0000", "SOUR:CURR 10.0000"}},
		{"supply", point{5, 60}, point{2, 70}, []string{"SOUR:CURR 2.0000", "SOUR:VOLT 70.0000"}},
		{"supply", point{5, 60}, point{2, 50}, []string{"SOUR:CURR 2.0000", "SOUR:VOLT 50.0000"}},
		{"load", point{5, 40}, point{10, 50}, []string{"SOUR:VOLT:LIM:LOW 50.0000", "SOUR:CURR 10.0000"}},
		{"load", point{5, 40}, point{2, 30}, []string{"SOUR:CURR 2.0000", "SOUR:VOLT:LIM:LOW 30.0000"}},
	} {
		f := newFake(t)
		p := armed(t, f, false, scpi.Options{Role: x.role})
		set := func(s point) error {
			return p.Set(patience(t), drivers.Setpoint{On: true, Current: drivers.Microamps(s.amps) * drivers.Ampere, Voltage: drivers.Microvolts(s.volts) * drivers.Volt})
		}
		require.NoError(t, set(x.from))
		log := commands(f.messages())
		assert.Len(t, log, 3)
		assert.Contains(t, []string{"OUTP ON", "INP ON"}, log[2], "on comes last")
		require.NoError(t, set(x.to))
		assert.Equal(t, x.want, commands(f.messages()), "%+v", x)
	}
}

// After a connection was lost with the output on, what is in force may be half
// of a setpoint: the current goes through 0.
func TestSetWhereNothingIsKnown(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	f.drop()
	s := fakeSet
	s.Current *= 2
	require.Eventually(t, func() bool { return p.Set(patience(t), s) == nil }, patienceLimit, tick)
	assert.Equal(t, []string{"SOUR:CURR 0.0000", "SOUR:VOLT 60.0000", "SOUR:CURR 10.0000"}, commands(f.messages()))
}

func TestSetIsExact(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, false, scpi.Options{})
	s := drivers.Setpoint{On: true, Current: 1_234_599, Voltage: 56_789_999}
	require.NoError(t, p.Set(patience(t), s))
	assert.Equal(t, []string{"SOUR:CURR 1.2345", "SOUR:VOLT 56.7899", "OUTP ON"}, commands(f.messages()))
	require.NoError(t, p.Set(patience(t), drivers.Setpoint{On: true, Voltage: drivers.Volt}), "0 A and on")
	assert.Equal(t, []string{"SOUR:CURR 0.0000", "SOUR:VOLT 1.0000"}, commands(f.messages()))

	f = newFake(t)
	p = armed(t, f, false, scpi.Options{Role: "load"})
	require.NoError(t, p.Set(patience(t), s))
	assert.Equal(t, []string{"SOUR:CURR 1.2345", "SOUR:VOLT:LIM:LOW 56.7900", "INP ON"}, commands(f.messages()), "a load's voltage is rounded up")
}

func TestSetReadsBack(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, false, scpi.Options{})
	f.says("SOUR:VOLT?", "80\n") // acknowledged, and not done
	err := p.Set(patience(t), fakeSet)
	require.ErrorIs(t, err, drivers.ErrRefused)
	assert.ErrorContains(t, err, "SOUR:VOLT?")
	assert.NotContains(t, f.messages(), "OUTP ON")
}

// The error queue is read after each command, and what it says is said with the
// command that it speaks of. Both spellings of an empty queue, SCPI-1999 21.8,
// as quoted in a BSD-licensed SCPI parser.
func TestErrorQueue(t *testing.T) {
	for _, none := range []string{`0,"No error"`, `+0,"No error"`} {
		f := newFake(t)
		f.says("SYST:ERR?", none+"\n")
		p := supplyAt(t, scpi.Options{Address: f.address})
		_, err := p.Arm(patience(t), fakeLimits)
		require.NoError(t, err)
		require.NoError(t, p.Set(patience(t), fakeSet))
	}
	t.Run("after a command", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, false, scpi.Options{})
		f.trick("SOUR:VOLT 60.0000", func(conn) bool { f.queue(`-222,"Data out of range;60"`); return true })
		err := p.Set(patience(t), fakeSet)
		require.ErrorIs(t, err, drivers.ErrRefused)
		assert.ErrorContains(t, err, `supply at `+f.address+`: after "SOUR:VOLT 60.0000"`)
		assert.ErrorContains(t, err, `-222,"Data out of range;60"`)
		assert.NotContains(t, f.messages(), "OUTP ON")
	})
	t.Run("before energising", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, false, scpi.Options{})
		f.queue(`-350,"Queue overflow"`)
		err := p.Set(patience(t), fakeSet)
		require.ErrorIs(t, err, drivers.ErrRefused)
		assert.ErrorContains(t, err, `before anything was set: refused by the device: its error queue has -350,"Queue overflow"`)
		assert.Empty(t, commands(f.messages()))
		require.NoError(t, p.Set(patience(t), fakeSet), "it was emptied")
	})
	t.Run("a question cut off by our own halt", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, false, scpi.Options{})
		f.queue(`-410,"Query INTERRUPTED"`)
		require.NoError(t, p.Set(patience(t), fakeSet))
	})
	t.Run("a thousand", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, false, scpi.Options{})
		f.queue(slices.Repeat([]string{`+17,"Over temperature"`}, 1000)...)
		err := p.Set(patience(t), fakeSet)
		require.ErrorIs(t, err, drivers.ErrRefused)
		assert.ErrorContains(t, err, `16 entries and more, cleared unread: 17,"Over temperature"`)
		log := f.messages()
		assert.Less(t, len(log), 30, "bounded")
		assert.Contains(t, log, "*CLS")
		require.NoError(t, p.Set(patience(t), fakeSet))
	})
	t.Run("endless", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, false, scpi.Options{})
		f.says("SYST:ERR?", "-310,\"System error\"\n")
		err := p.Set(patience(t), fakeSet)
		require.ErrorIs(t, err, drivers.ErrRefused)
		assert.ErrorContains(t, err, `still not empty after "*CLS"`)
	})
	t.Run("before the first connection", func(t *testing.T) {
		f := newFake(t)
		f.queue(slices.Repeat([]string{`-200,"Execution error"`}, 300)...)
		p := supplyAt(t, scpi.Options{Address: f.address})
		v, err := p.Probe(patience(t))
		require.NoError(t, err)
		assert.Len(t, v.Errors, 16)
		_, err = p.Arm(patience(t), fakeLimits)
		require.NoError(t, err)
	})
}

// INV-02, INV-08: after a loss of mains the limits are gone (PON, IEEE 488.2
// 11.5.1, bit 7 of the standard event register).
func TestRestart(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	f.restart()
	r, err := p.Read(patience(t))
	require.NoError(t, err)
	assert.EqualValues(t, drivers.PowerFault, r.State)
	err = p.Set(patience(t), fakeSet)
	require.ErrorIs(t, err, drivers.ErrRefused)
	assert.ErrorContains(t, err, "restarted")
	assert.NotContains(t, f.messages(), "OUTP ON")
	_, err = p.Arm(patience(t), fakeLimits)
	require.NoError(t, err)
	require.NoError(t, p.Set(patience(t), fakeSet))

	t.Run("with its connection", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, true, scpi.Options{})
		f.restart()
		f.drop()
		require.Eventually(t, func() bool {
			err = p.Set(patience(t), fakeSet)
			return !isNoAnswer(err)
		}, patienceLimit, tick)
		require.ErrorIs(t, err, drivers.ErrRefused)
		assert.ErrorContains(t, err, "restarted")
	})
	t.Run("unnoticed but for its limits", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, true, scpi.Options{})
		f.restart()
		f.mu.Lock()
		f.event = 0
		f.mu.Unlock()
		f.drop()
		require.Eventually(t, func() bool {
			err = p.Set(patience(t), fakeSet)
			return !isNoAnswer(err)
		}, patienceLimit, tick)
		require.ErrorIs(t, err, drivers.ErrRefused)
		assert.ErrorContains(t, err, "on a new connection its limits are")
	})
}

func TestOwnTrips(t *testing.T) {
	for header, want := range map[string]struct {
		err error
		bit int32
	}{
		"SOUR:VOLT:PROT:TRIP": {drivers.ErrRefused, drivers.PowerTripped},
		"SOUR:CURR:PROT:TRIP": {drivers.ErrRefused, drivers.PowerTripped},
		"SYST:COMM:TIM:TRIP":  {drivers.ErrLease, drivers.PowerLeaseOut},
	} {
		f := newFake(t)
		p := armed(t, f, true, scpi.Options{})
		f.put("OUTP", "0")
		f.put(header, "1")
		require.ErrorIs(t, p.Set(patience(t), fakeSet), want.err, header)
		// It comes back by itself; the driver does not.
		f.put(header, "0")
		require.ErrorIs(t, p.Set(patience(t), fakeSet), want.err, header)
		r, err := p.Read(patience(t))
		require.NoError(t, err)
		assert.Equal(t, want.bit, r.State)
		assert.NotContains(t, f.messages(), "OUTP ON")
		_, err = p.Arm(patience(t), fakeLimits)
		require.NoError(t, err)
		require.NoError(t, p.Set(patience(t), fakeSet))
	}
}

// INV-06: somebody switched it off at its front panel; only an arming brings it
// back.
func TestFrontPanel(t *testing.T) {
	f := newFake(t)
	var clock atomic.Int64
	p := armed(t, f, true, scpi.Options{Now: func() drivers.Instant { return drivers.Instant(clock.Load()) }})
	f.put("OUTP", "0")
	require.NoError(t, p.Set(patience(t), fakeSet), "within its delay it may not be on yet")
	clock.Add(int64(drivers.Second))
	f.put("OUTP", "0")
	f.messages()
	require.ErrorIs(t, p.Set(patience(t), fakeSet), drivers.ErrRefused)
	assert.Empty(t, commands(f.messages()))
	require.ErrorIs(t, p.Set(patience(t), fakeSet), drivers.ErrRefused)
	_, err := p.Arm(patience(t), fakeLimits)
	require.NoError(t, err)
	require.NoError(t, p.Set(patience(t), fakeSet))
}

func TestProbe(t *testing.T) {
	f := newFake(t)
	f.queue(`-113,"Undefined header"`)
	f.put("*STB", "4")
	p := supplyAt(t, scpi.Options{Address: f.address, Expect: drivers.Identity{Maker: "Quayside Instruments", Serial: "0042"}})
	v, err := p.Probe(patience(t))
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "Quayside Instruments", Model: "QS-80", Serial: "0042", Firmware: "1.3"}, v.Identity)
	assert.Equal(t, []string{`-113,"Undefined header"`}, v.Errors)
	assert.Equal(t, drivers.Protection{VoltageMax: 88 * drivers.Volt, CurrentMax: 61 * drivers.Ampere}, v.Limits)
	assert.True(t, v.CanVoltage && v.CanCurrent && v.CanSilence && v.HasStatus)
	assert.EqualValues(t, 5120, v.Reading.Voltage)
	assert.Contains(t, v.Notes, "status byte: error queue not empty")
	assert.Empty(t, commands(f.messages()), "nothing is changed")
}

// An output that nobody could halt any more is switched off; one that this
// driver never switched on is left alone.
func TestClose(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	require.NoError(t, p.Close())
	assert.Equal(t, []string{"OUTP OFF"}, commands(f.messages()))
	_, err := p.Read(patience(t))
	require.ErrorIs(t, err, drivers.ErrNoAnswer)

	p = supplyAt(t, scpi.Options{Address: f.address})
	_, err = p.Read(patience(t))
	require.NoError(t, err)
	require.NoError(t, p.Close())
	assert.Empty(t, commands(f.messages()))
}

func TestMeter(t *testing.T) {
	f := newFake(t)
	d, problems := scpi.ParseDialect("m.yaml", []byte(strings.Replace(string(must(scpi.Shipped("common-meter"))), "read:\n", "connect: \"SENS:VOLT:DC:NPLC 1\"\nread:\n", 1)))
	require.Empty(t, problems)
	m, err := scpi.NewMeter(scpi.Options{Role: "meter", Address: f.address, Dialect: d}, drivers.MeterSpec{VoltageStep: 1000})
	require.NoError(t, err)
	t.Cleanup(func() { _ = m.Close() })
	id, err := m.Identify(patience(t))
	require.NoError(t, err)
	assert.Equal(t, "QS-80", id.Model)
	r, err := m.Read(patience(t))
	require.NoError(t, err)
	assert.Equal(t, drivers.Reading{Voltage: 51204, Current: drivers.NoReading, Beat: 1}, r)
	f.messages()
	f.restart()
	_, err = m.Read(patience(t))
	require.ErrorIs(t, err, drivers.ErrNoAnswer, "it forgot its set-up")
	r, err = m.Read(patience(t))
	require.NoError(t, err)
	assert.EqualValues(t, 2, r.Beat)
	assert.Equal(t, []string{"SENS:VOLT:DC:NPLC 1"}, commands(f.messages()))
	v, err := m.Probe(patience(t))
	require.NoError(t, err)
	assert.EqualValues(t, 51204, v.Reading.Voltage)
}

func TestNew(t *testing.T) {
	supply := shipped(t, "common-supply")
	for _, x := range []struct {
		o    scpi.Options
		want string
	}{
		{scpi.Options{Role: "supply", Address: "tcp:10.0.0.5:5025"}, "no dialect"},
		{scpi.Options{Role: "meter", Address: "tcp:10.0.0.5:5025", Dialect: supply}, "neither supply nor load"},
		{scpi.Options{Role: "load", Address: "tcp:10.0.0.5:5025", Dialect: supply}, `dialect "common-supply" is for a supply`},
		{scpi.Options{Role: "supply", Address: "10.0.0.5:5025", Dialect: supply}, "write tcp:10.0.0.5:5025"},
		{scpi.Options{Role: "supply", Address: "tcp:10.0.0.5", Dialect: supply}, "write tcp:host:port"},
		{scpi.Options{Role: "supply", Address: "tcp:10.0.0.5:99999", Dialect: supply}, "write tcp:host:port"},
		{scpi.Options{Role: "supply", Address: "serial:", Dialect: supply}, "names no port"},
		{scpi.Options{Role: "supply", Address: "serial:/dev/x?boud=9600", Dialect: supply}, `it has no "boud"`},
		{scpi.Options{Role: "supply", Address: "serial:/dev/x?baud=fast", Dialect: supply}, `baud cannot be "fast"`},
		{scpi.Options{Role: "supply", Address: "serial:/dev/x?parity=None", Dialect: supply}, `parity cannot be "None"`},
		{scpi.Options{Role: "supply", Address: "serial:/dev/x?baud=1&baud=2", Dialect: supply}, "baud stands 2 times"},
	} {
		_, err := scpi.NewPower(x.o, fakeSpec)
		assert.ErrorContains(t, err, x.want)
	}
	p, err := scpi.NewPower(scpi.Options{Role: "supply", Address: "serial:/dev/x?baud=115200&data=7&parity=even&stop=2", Dialect: supply}, fakeSpec)
	require.NoError(t, err)
	require.NoError(t, p.Close())
}
