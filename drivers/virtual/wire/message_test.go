package wire

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// show is a message taken apart, in one line.
func show(message string) string {
	units, err := parse(message)
	var parts []string
	for _, u := range units {
		s := u.header
		if u.common {
			s = "*" + s
		}
		if u.absolute {
			s = ":" + s
		}
		if u.query {
			s += "?"
		}
		for _, p := range u.params {
			s += " " + [...]string{"char", "num", "str", "block", "expr"}[p.kind] + "=" + p.text
			if p.suffix != "" {
				s += "~" + p.suffix
			}
		}
		parts = append(parts, s)
	}
	if err != nil {
		parts = append(parts, err.String())
	}
	return strings.Join(parts, " | ")
}

// The forms of IEEE 488.2 clause 7 (from memory), and the errors of SCPI-1999
// vol. 2, 21.8.9 (as quoted in a BSD-licensed parser's headers).
func TestMessageUnits(t *testing.T) {
	for message, want := range map[string]string{
		"":                            "",
		" ;; ":                        "",
		"*IDN?":                       "*IDN?",
		" *ESE 16 ":                   "*ESE num=16",
		"VOLT 5":                      "VOLT num=5",
		":SOUR:VOLT\t5 V":             ":SOUR:VOLT num=5~V",
		"VOLT 5mV;CURR? MAX":          "VOLT num=5~MV | CURR? char=MAX",
		"VOLT +.5E+01":                "VOLT num=+.5E+01",
		"VOLT 5.E-3 V":                "VOLT num=5.E-03~V",
		"VOLT 1 E 2":                  "VOLT num=1E02",
		"VOLT 1EX":                    "VOLT num=1~EX", // exa has no exponent
		"A 'it''s;\"so\"',\"a\"\"b\"": "A str=it's;\"so\" str=a\"b",
		"A (@1,2),#13abc;B":           "A expr=(@1,2) block= | B",
		"A 1,2 , 3;B?;*WAI":           "A num=1 num=2 num=3 | B? | *WAI",

		"VOLT,5":                         `-111,"Header separator error"`,
		"VOLT:5":                         `-102,"Syntax error"`,
		"VOLT: PROT 5":                   `-102,"Syntax error"`,
		"?":                              `-102,"Syntax error"`,
		"*":                              `-102,"Syntax error"`,
		"VOLT 5,":                        `-102,"Syntax error"`,
		"VOLT 5 6":                       `-103,"Invalid separator"`,
		"VOLT ,5":                        `-102,"Syntax error"`,
		"VOLT \x80":                      `-101,"Invalid character"`,
		"V\xc3\xb6LT 5":                  `-101,"Invalid character"`,
		"A;\xff":                         `A | -101,"Invalid character"`,
		"VOLT 1.2.3":                     `-121,"Invalid character in number"`,
		"VOLT +":                         `-121,"Invalid character in number"`,
		"VOLT 1E99999":                   `-123,"Exponent too large"`,
		"VOLT 'x":                        `-151,"Invalid string data"`,
		"VOLT (1":                        `-171,"Invalid expression"`,
		"ABCDEFGHIJKLM 1":                `-112,"Program mnemonic too long"`,
		"A 1ABCDEFGHIJKLM":               `-134,"Suffix too long"`,
		"A " + strings.Repeat("1", 256):  `-124,"Too many digits"`,
		"A 1" + strings.Repeat(",1", 16): `-223,"Too much data"`,
	} {
		assert.Equal(t, want, show(message), "%q", message)
	}
}

// Each mnemonic in its long or its short form, in any case, and nothing between
// (SCPI-1999 vol. 1, 6.2.1, from memory); the numeric suffix is 1 where there is
// none (6.2.5.2, from memory).
func TestTreeMnemonics(t *testing.T) {
	list := newTree([]command{
		{header: "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]"},
		{header: "[SOURce]:VOLTage:PROTection[:LEVel]"},
		{header: "SYSTem:ERRor[:NEXT]"},
		{header: "MEASure[:SCALar][:VOLTage][:DC]"},
		{header: "MEASure[:SCALar]:CURRent[:DC]"},
	})
	for header, want := range map[string]string{
		"VOLT":                       "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
		"voltage":                    "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
		"SoUr:VoLt:LEV:ampl":         "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
		"SOURCE:VOLT:LEVEL:IMM:AMPL": "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
		"SOUR1:VOLT1":                "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
		"VOLT:PROT":                  "[SOURce]:VOLTage:PROTection[:LEVel]",
		"SYST:ERR":                   "SYSTem:ERRor[:NEXT]",
		"SYSTEM:ERROR:NEXT":          "SYSTem:ERRor[:NEXT]",
		"MEAS":                       "MEASure[:SCALar][:VOLTage][:DC]",
		"MEAS:DC":                    "MEASure[:SCALar][:VOLTage][:DC]",
		"MEAS:SCAL:CURR:DC":          "MEASure[:SCALar]:CURRent[:DC]",
		"SOUR2:VOLT":                 `-114,"Header suffix out of range"`,
		"VOLTA":                      `-113,"Undefined header"`,
		"VOL":                        `-113,"Undefined header"`,
		"SOUR":                       `-113,"Undefined header"`,
		"SYST":                       `-113,"Undefined header"`,
		"VOLT:AMPL:LEV":              `-113,"Undefined header"`,
		"MEAS:CURR:VOLT":             `-113,"Undefined header"`,
		"LEV":                        `-113,"Undefined header"`,
		"SYST:ERR:NEXT:NEXT":         `-113,"Undefined header"`,
	} {
		e, err := list.find(strings.Split(strings.ToUpper(header), ":"))
		if err != nil {
			assert.Equal(t, want, err.String(), header)
			continue
		}
		assert.Equal(t, want, e.header, header)
	}
}

// The path through a message (SCPI-1999 vol. 1, 6.2.4, from memory): beside the
// last header, from the root after a colon, untouched by common commands, anew
// with each message.
func TestTreeWalk(t *testing.T) {
	for message, want := range map[string][]string{
		"SOUR:VOLT 1;CURR 2":                {"SOUR:VOLT", "SOUR:CURR"},
		"SOUR:VOLT:PROT 1;STAT ON;:OUTP ON": {"SOUR:VOLT:PROT", "SOUR:VOLT:STAT", "OUTP"},
		"SOUR:VOLT:PROT:LEV 1;STAT ON":      {"SOUR:VOLT:PROT:LEV", "SOUR:VOLT:PROT:STAT"},
		"STAT:QUES:COND?;*ESR?;ENAB?":       {"STAT:QUES:COND", "ESR", "STAT:QUES:ENAB"},
		"VOLT 1;CURR 2;:SYST:ERR?;VERS?":    {"VOLT", "CURR", "SYST:ERR", "SYST:VERS"},
	} {
		units, err := parse(message)
		require.Nil(t, err)
		var w walker
		var got []string
		for i := range units {
			if units[i].common {
				got = append(got, units[i].header)
				continue
			}
			got = append(got, strings.Join(w.resolve(&units[i]), ":"))
		}
		assert.Equal(t, want, got, message)
	}
}

// Suffixes and their traps: MA is a thousandth of an ampere (check-values: "MA =
// milliampere, MV = millivolt", as quoted in a BSD-licensed SCPI parser).
func TestNumbers(t *testing.T) {
	b := bounds{0, 60_000_000, 1_000_000}
	for text, want := range map[string]int64{
		"1": 1_000_000, "1.5 A": 1_500_000, "20MA": 20_000, "20 ma": 20_000, "3000000UA": 3_000_000,
		"0.02KA": 20_000_000, "6E1": 60_000_000, "MIN": 0, "maximum": 60_000_000, "DEF": 1_000_000, "0.0000004": 0,
		"0.0000006": 1,
	} {
		units, err := parse("A " + text)
		require.Nil(t, err, text)
		v, err := number(units[0].params[0], amperes, b)
		require.Nil(t, err, text)
		assert.Equal(t, want, v, text)
	}
	for text, want := range map[string]int{
		"60.000001": -222, "-0.001": -222, "1E300": -222, "1E9999": -222, "INF": -222, "NAN": -222,
		"1 V": -131, "1 MAA": -131, "HIGH": -224, "'1'": -158, "(1)": -178, "#11": -168,
	} {
		units, err := parse("A " + text)
		require.Nil(t, err, text)
		_, err = number(units[0].params[0], amperes, b)
		require.NotNil(t, err, text)
		assert.Equal(t, want, err.code, text)
	}
	_, err := number(param{kind: numericData, text: "1", suffix: "V"}, plainNumber, bytes8)
	assert.Equal(t, -138, err.code)
}

// ON, OFF or a number that is rounded; not 0 is on (SCPI-1999 vol. 1, 7.3, as
// quoted in a BSD-licensed parser).
func TestBooleans(t *testing.T) {
	for text, want := range map[string]bool{
		"ON": true, "off": false, "1": true, "0": false, "0.4": false, "0.6": true, "-7": true, "1E2": true,
	} {
		units, err := parse("A " + text)
		require.Nil(t, err)
		on, err := boolean(units[0].params[0])
		require.Nil(t, err)
		assert.Equal(t, want, on, text)
	}
	for text, want := range map[string]int{"YES": -224, "1 V": -138, "'ON'": -158} {
		units, err := parse("A " + text)
		require.Nil(t, err)
		_, err = boolean(units[0].params[0])
		assert.Equal(t, want, err.code, text)
	}
}

// First in, first out; what does not fit replaces the newest (SCPI-1999 vol. 2,
// 21.8.1, as quoted in check-values).
func TestErrorQueue(t *testing.T) {
	var q errorQueue
	for i := range queueSize + 5 {
		q.push(scpiError{code: -100 - i})
	}
	for i := range queueSize - 1 {
		require.Equal(t, -100-i, q.pop().code)
	}
	require.Equal(t, `-350,"Queue overflow"`, q.pop().String())
	require.Equal(t, `0,"No error"`, q.pop().String())
	long := scpiError{code: -222, info: strings.Repeat("x", 400)}
	require.Len(t, long.String(), textMax+len(`-222,""`))
}

// Error classes and their bits (SCPI-1999 vol. 2, 21.8.9 to 21.8.16, as quoted in
// check-values).
func TestErrorEvents(t *testing.T) {
	for code, want := range map[int]uint16{
		-100: 0x20, -199: 0x20, -200: 0x10, -299: 0x10, -300: 0x08, -399: 0x08, 1: 0x08, 32767: 0x08,
		-400: 0x04, -499: 0x04,
	} {
		assert.Equal(t, want, scpiError{code: code}.event(), "%d", code)
	}
}
