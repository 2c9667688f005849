package scpi

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// NR1, NR2, NR3 and the values for "not a number" and infinity: SCPI-1999
// volume 1, as quoted in a BSD-licensed SCPI parser.
func TestParseNumber(t *testing.T) {
	for s, want := range map[string]float64{
		"0": 0, "+12": 12, "-12": -12, "012": 12, "1.5": 1.5, ".5": 0.5, "5.": 5, " 1.5 ": 1.5,
		"+1.200000E+01": 12, "1e3": 1000, "1E-3": 0.001, "-5.12000E+01": -51.2,
	} {
		v, ok, err := parseNumber(s, "")
		require.NoError(t, err, s)
		assert.True(t, ok)
		assert.Equal(t, want, v, s)
	}
	for _, s := range []string{"9.91E37", "+9.91E+37", "9.910000e37", "991E35"} {
		_, ok, err := parseNumber(s, "")
		require.NoError(t, err, s)
		assert.False(t, ok, s)
	}
	for _, s := range []string{
		"", " ", "+", ".", "E5", "1E", "1E+", "1,5", "1 5", "1.5.2", "0x10", "#H1F", "1_000", "NaN", "Inf", "-Infinity", "9.9E37", "-9.9E37",
		"1E400", "1E9999", "--1", "1V", "1.5 V", "MIN", `"1"`, strings.Repeat("1", 100), "1٢",
	} {
		_, _, err := parseNumber(s, "")
		assert.ErrorIs(t, err, ErrReply, "%q", s)
	}
	v, ok, err := parseNumber("12.5 v", "V")
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, 12.5, v)
	_, _, err = parseNumber("V", "V")
	assert.ErrorIs(t, err, ErrReply)
	_, _, err = parseNumber("12.5 mV", "V")
	assert.ErrorIs(t, err, ErrReply, "a thousandth is not the whole")
}

func TestParseCount(t *testing.T) {
	r := reading{mult: 1_000_000}
	for _, x := range []struct {
		s    string
		step int64
		want int32
	}{
		{"51.2", 10_000, 5120}, {"51.2049", 10_000, 5120}, {"51.2051", 10_000, 5121}, {"-0.004", 10_000, 0},
		{"-51.2", 10_000, -5120}, {"9.91E37", 10_000, drivers.NoReading}, {"5.4", 100, 54_000}, {"1E-9", 1, 0},
		{"2147.483647", 1, math.MaxInt32},
	} {
		got, err := r.parseCount(x.s, x.step)
		require.NoError(t, err, x.s)
		assert.Equal(t, x.want, got, x.s)
	}
	for _, s := range []string{"2147.483648", "-2147.483648", "1E30", "-1E30"} {
		_, err := r.parseCount(s, 1)
		assert.ErrorIs(t, err, ErrReply, s)
	}
	r = reading{mult: 1_000, reversed: true, suffix: "mA"}
	got, err := r.parseCount("-2500 mA", 10_000)
	require.NoError(t, err)
	assert.EqualValues(t, 250, got)
}

// A query of a boolean always answers 1 or 0: SCPI-1999 volume 1, 7.3, as quoted
// in a BSD-licensed SCPI parser.
func TestParseBoolean(t *testing.T) {
	for s, want := range map[string]int{"0": 0, "1": 1, "+1": 1, " 0 ": 0} {
		got, err := parseBoolean(s)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	for _, s := range []string{"", "2", "-1", "ON", "OFF", "on", "1.0", "01", "true"} {
		_, err := parseBoolean(s)
		assert.ErrorIs(t, err, ErrReply, "%q", s)
	}
}

func TestParseRegister(t *testing.T) {
	for s, want := range map[string]uint32{"0": 0, "+128": 128, "32767": 32767, "4294967295": math.MaxUint32, "#H1F": 31, "#b101": 5, "#Q17": 15} {
		got, err := parseRegister(s)
		require.NoError(t, err, s)
		assert.Equal(t, want, got, s)
	}
	for _, s := range []string{"", "+", "-1", "1.0", "1E2", "4294967296", "#", "#H", "#X1", "#HG", "#H+1", "#B2", "++1", "0x1"} {
		_, err := parseRegister(s)
		assert.ErrorIs(t, err, ErrReply, "%q", s)
	}
}

// Bits of the standard event register and the status byte: IEEE 488.2 11.5.1
// and 11.2, as quoted in a BSD-licensed SCPI parser.
func TestStateParse(t *testing.T) {
	event := state{bits: map[uint]flags{7: flagRestarted, 3: flagFault}}
	for s, want := range map[string]flags{"0": 0, "128": flagRestarted, "255": flagRestarted | flagFault, "8": flagFault, "119": 0} {
		got, err := event.parse(s)
		require.NoError(t, err)
		assert.Equal(t, want, got, s)
	}
	words := state{words: map[string]flags{"CV": flagVoltage, "CC": 0}}
	for s, want := range map[string]flags{"cv": flagVoltage, `"CC"`: 0} {
		got, err := words.parse(s)
		require.NoError(t, err)
		assert.Equal(t, want, got, s)
	}
	_, err := words.parse("UR")
	assert.ErrorIs(t, err, ErrReply)
	assert.Equal(t, []string{"error queue not empty", "standard event"}, statusWords(0x24))
}

// SYSTem:ERRor? as SCPI-1999 21.8 has it, as quoted in a BSD-licensed SCPI parser.
func TestParseEntry(t *testing.T) {
	for s, want := range map[string]Entry{
		`0,"No error"`:                 {0, "No error"},
		`+0,"No error"`:                {0, "No error"},
		`-350,"Queue overflow"`:        {-350, "Queue overflow"},
		`-222,"Data out of range;60 "`: {-222, "Data out of range;60 "},
		`17, "He said ""no"", twice"`:  {17, `He said "no", twice`},
		`32767,""`:                     {32767, ""},
	} {
		got, err := parseEntry(s)
		require.NoError(t, err, s)
		assert.Equal(t, want, got)
	}
	for _, s := range []string{"", "0", "0,", "0,No error", `0,"No error`, `"No error",0`, `32768,"x"`, `-32769,"x"`, `1.5,"x"`, `+-1,"x"`, `5.12`, `1,"`, `NaN,"x"`} {
		_, err := parseEntry(s)
		assert.ErrorIs(t, err, ErrReply, "%q", s)
	}
	assert.True(t, Entry{Number: -410}.query())
	assert.False(t, Entry{Number: -350}.query())
	assert.False(t, Entry{Number: -500}.query())
}

// Four fields, IEEE 488.2 10.14.
func TestParseIdentity(t *testing.T) {
	four := identityRule{fields: 4}
	for s, want := range map[string]drivers.Identity{
		"Quayside,QS-80,0042,1.3":     {Maker: "Quayside", Model: "QS-80", Serial: "0042", Firmware: "1.3"},
		" Quayside , QS 80 ,0, 1.3 ":  {Maker: "Quayside", Model: "QS 80", Serial: "0", Firmware: "1.3"},
		"Quayside,QS-80,0042,1.3,2.0": {Maker: "Quayside", Model: "QS-80", Serial: "0042", Firmware: "1.3,2.0"},
	} {
		got, err := four.parse(s)
		require.NoError(t, err)
		assert.Equal(t, want, got, s)
		assert.True(t, four.looks(s))
	}
	_, err := four.parse("Quayside,QS-80,0042")
	assert.ErrorIs(t, err, drivers.ErrIdentity)
	got, err := identityRule{fields: 2}.parse("Quayside,QS-80")
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "Quayside", Model: "QS-80"}, got)
	got, err = identityRule{fields: 4, maker: true}.parse("Quayside Instruments, Inc.,QS-80,0042,1.3")
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "Quayside Instruments, Inc.", Model: "QS-80", Serial: "0042", Firmware: "1.3"}, got)
	for _, s := range []string{"", "5.12", `0,"No error"`, "1,2,3,4", "128"} {
		assert.False(t, four.looks(s), s)
	}
}

func TestNumberText(t *testing.T) {
	for _, x := range []struct {
		n    number
		v    int64
		want string
	}{
		{number{mult: 1_000_000, decimals: 3}, 12_345_678, "12.345"},
		{number{mult: 1_000_000, decimals: 0}, 12_345_678, "12"},
		{number{mult: 1_000_000, decimals: 6}, 5, "0.000005"},
		{number{mult: 1_000, decimals: 1}, 12_345_678, "12345.6"},
		{number{mult: 1, decimals: 0}, 12_345_678, "12345678"},
		{number{mult: 1_000_000, decimals: 2}, 0, "0.00"},
	} {
		assert.Equal(t, x.want, x.n.text(x.n.down(x.v, 1)))
	}
	n := number{mult: 1_000_000, decimals: 2}
	assert.EqualValues(t, 12_340_000, n.down(12_345_678, 1))
	assert.EqualValues(t, 12_350_000, n.up(12_345_678, 1, 80_000_000))
	assert.EqualValues(t, 12_340_000, n.up(12_340_000, 1, 80_000_000))
	assert.EqualValues(t, 12_346_000, n.up(12_345_678, 1, 12_346_000), "never over the range")
	n.step = 50_000
	assert.EqualValues(t, 12_300_000, n.down(12_345_678, 10_000))
	assert.EqualValues(t, 12_350_000, n.up(12_345_678, 10_000, 80_000_000))
}

// Whatever comes, a parser gives a value that a frame can carry, or an error.
func FuzzReply(f *testing.F) {
	for _, s := range []string{"5.12", "9.91E37", "-9.9E37", "1", "#H1F", `0,"No error"`, `-350,"Queue overflow"`, "a,b,c,d", "", "\xff\xfe", `+0,"`, "1E308", "1E-308"} {
		f.Add(s)
	}
	words := state{words: map[string]flags{"CV": flagVoltage}}
	f.Fuzz(func(t *testing.T, s string) {
		for _, r := range []reading{{mult: 1_000_000}, {mult: 1_000, suffix: "V", reversed: true}} {
			n, err := r.parseCount(s, 10_000)
			if err != nil && n != drivers.NoReading {
				t.Fatalf("%q: an error and %d", s, n)
			}
			if v, ok, _ := parseNumber(s, r.suffix); err == nil && n != drivers.NoReading && (!ok || math.IsNaN(v) || math.Abs(v)*float64(r.mult)/10_000 > math.MaxInt32+1) {
				t.Fatalf("%q: read as %d", s, n)
			}
		}
		if e, err := parseEntry(s); err == nil && (e.Number > math.MaxInt16 || e.Number < math.MinInt16) {
			t.Fatalf("%q: entry %v", s, e)
		}
		if b, err := parseBoolean(s); err == nil && b != 0 && b != 1 {
			t.Fatalf("%q: boolean %d", s, b)
		}
		_, _ = parseRegister(s)
		_, _ = words.parse(s)
		rule := identityRule{fields: 4, maker: len(s)%2 == 0}
		if _, err := rule.parse(s); err != nil && rule.looks(s) {
			t.Fatalf("%q looks like an identity and is none", s)
		}
	})
}
