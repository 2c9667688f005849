package canbus

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// common returns the shipped map for a number of cells and sensors, and a bench
// that fits it.
func common(t testing.TB, cells, temps int) (*Map, drivers.MonitorSpec) {
	t.Helper()
	text, ok := Shipped("common-monitor")
	require.True(t, ok)
	m, problems := ParseMap("common-monitor.yaml", text, ShippedDBC(cells, temps))
	require.NoError(t, tree.Error(problems))
	spec := virtual.WorkshopBench().Monitor
	spec.Cells, spec.Temps = cells, temps
	require.NoError(t, tree.Error(Check(m, spec)))
	return m, spec
}

func TestShippedMaps(t *testing.T) {
	require.Equal(t, []string{"common-monitor"}, Names())
	_, ok := Shipped("no-such-map")
	assert.False(t, ok)
	for _, size := range [][2]int{{1, 1}, {3, 1}, {16, 4}, {17, 4}, {24, 6}, {25, 7}, {48, 12}, {512, 512}} {
		m, spec := common(t, size[0], size[1])
		assert.Equal(t, size[0], m.Cells())
		assert.Equal(t, size[1], m.Temps())
		_, err := newDecoder(m, spec)
		require.NoError(t, err)
	}
	// What ships as a file is what the function makes.
	file, err := shipped.ReadFile("maps/common-monitor.dbc")
	require.NoError(t, err)
	require.Equal(t, CommonDBC(24, 6), string(file))
	_, _, err = ShippedDBC(1, 1)("../doc.go")
	require.Error(t, err)
}

// lines joins problems as a user sees them.
func lines(problems []tree.Problem) string {
	var b strings.Builder
	for _, p := range problems {
		b.WriteString(p.String() + "\n")
	}
	return b.String()
}

// parse reads a map beside a DBC file called m.dbc.
func parse(t testing.TB, yaml, dbc string) (*Map, []tree.Problem) {
	t.Helper()
	return ParseMap("m.yaml", []byte(yaml), func(file string) (string, []byte, error) {
		if file != "m.dbc" {
			return "", nil, errors.New("no such file")
		}
		return file, []byte(dbc), nil
	})
}

// small is a monitor of four cells in two orders of bytes, with a multiplexed
// message for the temperatures.
const smallDBC = `VERSION "1"
NS_ :
	CM_
	BA_
    VAL_
BS_:
BU_: Monitor
BO_ 16 Pack: 8 Monitor
 SG_ U1 : 0|16@1+ (0.0001,0) [0|5] "V" Bench
 SG_ U2 : 16|16@1+ (0.0001,0) [0|5] "V" Bench
 SG_ U3 : 39|16@0+ (0.0001,0) [0|5] "V" Bench
 SG_ U4 : 55|16@0+ (0.0001,0) [0|5] "V" Bench
BO_ 2147483665 Warmth: 4 Monitor
 SG_ Which M : 0|8@1+ (1,0) [0|0] "" Bench
 SG_ T1 m0 : 8|16@1- (0.1,0) [-50|150] "degC" Bench
 SG_ T2 m1 : 8|16@1- (0.1,0) [-50|150] "degC" Bench
BO_ 18 Shunt: 5 Monitor
 SG_ I : 0|32@1- (1,0) [0|0] "mA" Bench
 SG_ Alive : 32|4@1+ (1,0) [0|0] "" Bench
CM_ "a comment about
BO_ 16 Pack: 8 Monitor
that is none";
UNKNOWN_ 5 6 7
BO_ 19 State: 2 Monitor
 SG_ B1 : 0|1@1+ (1,0) [0|1] "" Bench
 SG_ B2 : 1|1@1+ (1,0) [0|1] "" Bench
 SG_ B3 : 2|2@1+ (1,0) [0|3] "" Bench
BO_ 20 Command: 3 Bench
 SG_ Enable : 0|2@1+ (1,0) [0|3] "" Monitor
 SG_ C : 4|4@1+ (1,0) [0|15] "" Monitor
 SG_ Sum : 16|8@1+ (1,0) [0|255] "" Monitor
SG_MUL_VAL_ 2147483665 T1 Which 0-0;
`

const smallYAML = `dbc: m.dbc
cells: {signals: [U1, U2, U3, U4]}
temperatures:
  signals: T{n}
  period: 200 ms
current: {signals: I, charge: negative}
bleeding: {signals: 'B{n}'}
bleed:
  signals: C
  repeat: 500 ms
  constants: {Enable: 2}
counters: [Alive]
checksums: [{kind: sum, signals: Sum, data_id: [1, 2]}]
identity: {maker: Quay, model: Four, serial: Q-4}
`

func smallSpec() drivers.MonitorSpec {
	spec := virtual.WorkshopBench().Monitor
	spec.Cells, spec.Temps, spec.BleedNeighbours = 4, 2, true
	return spec
}

func small(t testing.TB) (*Map, drivers.MonitorSpec) {
	t.Helper()
	m, problems := parse(t, smallYAML, smallDBC)
	require.NoError(t, tree.Error(problems))
	require.NoError(t, tree.Error(Check(m, smallSpec())))
	return m, smallSpec()
}

// A statement that nobody knows does not swallow the message after it, and a
// message inside a comment is none.
func TestStatements(t *testing.T) {
	m, _ := small(t)
	assert.Equal(t, "State", m.bleeding.signals[0].signal.of.name)
	assert.Equal(t, 24, m.bleeding.signals[0].signal.of.at.Line)
}

// Each mistake of the DBC file is told at once, where it is; what the map does
// not use may be as it likes.
func TestDBCProblems(t *testing.T) {
	dbc := `BU_: X
BO_ 16 Pack: 64 Monitor
 SG_ U1 : 0|16@1+ (0.0001,0) [0|5] "V" Bench
 SG_ U2 : 500|16@1+ (0.0001,0) [0|5] "V" Bench
BO_ 16 Twice: 8 Monitor
 SG_ X1 : 0|16@1+ (1,0) [0|0] "" Bench
BO_ 17 Pack: 8 Monitor
BO_ 18 Warmth: 8 Monitor
 SG_ S0 M : 0|8@1+ (1,0) [0|0] "" Bench
 SG_ S1 m0M : 8|8@1+ (1,0) [0|0] "" Bench
 SG_ T1 m0 : 16|16@1- (0.1,0) [-50|150] "degC" Bench
BO_ 19 More: 8 Monitor
 SG_ W M : 0|8@1+ (1,0) [0|0] "" Bench
 SG_ T2 m0 : 16|16@1- (0.1,0) [-50|150] "degC" Bench
 SG_ T3 m5 : 32|16@1- (0.1,0) [-50|150] "degC" Bench
BO_ 20 Shunt: 4 Monitor
 SG_ I : 1|32@1- (1,0) [0|0] "mA" Bench
 SG_ I : 0|32@1- (1,0) [0|0] "mA" Bench
 SG_ Broken : 0|32@1 (1,0) [0|0] "mA" Bench
BO_ x20 Shunt: 4 Monitor
 SG_ Orphan : 0|8@1+ (1,0) [0|0] "" Bench
SIG_VALTYPE_ 20 Nobody : 1;
SIG_VALTYPE_ 20 I : 7;
 SG_ Lost : 0|8@1+ (1,0) [0|0] "" Bench
BO_ 21 Unused: 64 Monitor
 SG_ Far : 500|16@1+ (0,0) [5|0] "furlong" Bench
SG_MUL_VAL_ 19 T3 W 5-6, 9-9;
BOO_ 22 Typo: 8 Monitor
BO_ 23 Tail: 8 Monitor garbage
CM_ "open
`
	m, problems := parse(t, `dbc: m.dbc
cells: {signals: 'U{n}'}
temperatures: {signals: 'T{n}'}
current: {signals: I, charge: positive}
identity: {model: m, serial: s}
`, dbc)
	require.Nil(t, m)
	assert.Equal(t, `m.dbc:2:1: message Pack has 64 bytes; a classical frame carries at most 8; set the monitor to send classical frames, and describe these
m.dbc:5:1: identifier 0x10 belongs to Pack already (line 2); give each message its own, or delete one
m.dbc:7:1: message Pack was declared on line 2; rename one
m.dbc:8:1: message Warmth is multiplexed in more than one level (extended multiplexing); only one switch (M) with signals m0, m1, ... is understood: have the monitor send these signals in a message of their own, or describe each combination as a message with one switch
m.dbc:12:1: message More uses extended multiplexing (signal T3 is sent for 5-6, 9-9 of W); only one switch (M) with signals m0, m1, ... is understood: have the monitor send these signals in a message of their own, or describe each combination as a message with one switch
m.dbc:17:2: signal I ends 1 bits behind message Shunt, which has 32; bits are numbered from 0; a message has eight per byte
m.dbc:18:2: message Shunt has a signal I already (line 17); rename or delete one
m.dbc:19:22: SG_: unexpected token; write it as SG_ Cell1_Voltage : 0|16@1+ (0.0001,0) [0|5] "V" Bench
m.dbc:20:5: BO_: expected int; write it as BO_ 256 Cells_1: 8 Monitor
m.dbc:22:1: there is no signal Nobody in a message 20; declare the signal before its type
m.dbc:23:21: SIG_VALTYPE_: invalid signal value type: 7; write it as SIG_VALTYPE_ 256 Cell1_Voltage : 1;
m.dbc:24:1: SG_ stands outside of a message; put it below its message, which begins with BO_
m.dbc:29:24: what follows BO_ is no DBC statement; write each statement on a line of its own, as BO_ 256 Cells_1: 8 Monitor
m.dbc:30:1: a string begins on this line and never ends; end it with a quotation mark
`, lines(problems))
}

// Bad input: two signals on one cell, a cell left out; and the
// rest of what a map can get wrong.
func TestMapProblems(t *testing.T) {
	dbc := smallDBC + `
BO_ 40 Odd: 8 Monitor
 SG_ G1 : 0|16@1+ (0.001,0) [0|5] "V" Bench
 SG_ G2 : 8|16@1+ (0.001,0) [0|5] "mV" Bench
 SG_ G4 : 32|16@1+ (0,0) [0|5] "V" Bench
 SG_ N1 : 48|4@1+ (1,0) [0|0] "" Bench
 SG_ N2 : 52|4@1+ (1,0) [0|0] "" Bench
 SG_ K1 : 56|7@1+ (1,0) [0|0] "furlong" Bench
BO_ 41 Double: 8 Monitor
 SG_ U1 : 0|16@1+ (0.0001,0) [0|5] "V" Bench
 SG_ R0 : 16|16@1+ (0.0001,0) [5|5] "V" Bench
 SG_ R1 m3 : 32|16@1+ (0.0001,0) [0|5] "V" Bench
 SG_ F1 : 48|16@1- (2,0) [0|0] "" Bench
SIG_VALTYPE_ 41 F1 : 1;
BO_ 42 Half: 8 Monitor
 SG_ H1 : 0|1@1- (2,0) [0|0] "" Bench
`
	base := map[string]string{
		"dbc": "m.dbc", "cells": "{signals: [Pack.U1, U2]}", "temperatures": "{signals: 'T{n}'}",
		"current": "{signals: I, charge: positive}", "identity": "{model: m, serial: s}",
	}
	for _, x := range []struct{ key, value, want string }{
		{"dbc", "n.dbc", "m.yaml:1:6: the DBC file cannot be read: no such file; a path is seen from the map's folder"},
		{"cells", "{signals: [Pack.U1, U2, U2]}", "m.yaml:2:32: signal Pack.U2 cannot be cell 3: it is cell 2 already; each signal is one thing"},
		{"cells", "{signals: 'U{n}'}", "m.yaml:2:18: signal U1 is in messages Pack and Double: two signals for one place; write Pack.U1 or Double.U1"},
		{"cells", "{signals: 'G{n}'}", "m.yaml:2:18: G3 is left out, though there is G4; add it to the DBC file, or list the signals one by one"},
		{"cells", "{signals: [G1, G2]}", "m.dbc:36:2: signals G1 and G2 of message Odd overlap; mend the start bits and lengths"},
		{"cells", "{signals: [G1, G2]}", "m.dbc:36:2: signal G2 is in \"mV\", unlike those before it; give all of them one unit"},
		{"cells", "{signals: G4}", "m.dbc:37:2: signal G4 has the factor 0: every reading would be the same; a factor is not 0"},
		{"cells", "{signals: 'R{n}'}", "m.yaml:2:18: R1 is missing; the first of R{n} is R0; say `first: 0` beside signals"},
		{"cells", "{signals: 'R{n}', first: 0}", "m.dbc:43:2: signal R0 has an empty range; write the range as [least|greatest], [0|0] for none"},
		{"cells", "{signals: 'R{n}', first: 0}", "m.dbc:44:2: signal R1 is sent for m3, and message Double has no multiplexer switch; mark the switch with M"},
		{"cells", "{signals: K1}", "m.dbc:40:2: signal K1 is in \"furlong\", which is no unit of a cell;"},
		{"cells", "{signals: N1}", "m.dbc:38:2: signal N1 has no unit; write it in the DBC file, or `unit:` in the map"},
		{"cells", "{signals: Pack.U1, unit: mV}", "m.yaml:2:33: the DBC file says that signal U1 is in \"V\"; leave unit out of the map"},
		{"cells", "{signals: F1, unit: V}", "m.dbc:45:2: signal F1 is a float of 16 bits; floats have 32 bits (type 1) or 64 (type 2)"},
		{"cells", "{signals: u2}", `m.yaml:2:18: there is no signal "u2" in the DBC file; did you mean U2?`},
		{"cells", "{signals: 'Cell{n}'}", "m.yaml:2:18: no signal is called Cell1; the pattern's letters must be as in the DBC file"},
		{"cells", "{signals: 'U{m}'}", `m.yaml:2:18: "U{m}" is no pattern; write {n} where the number stands, {nn} for 01, 02, ...`},
		{"cells", "{signals: 'U{n}{nn}'}", `m.yaml:2:18: "U{n}{nn}" has two kinds of numbers; write the same {n} everywhere`},
		{"cells", "{signals: []}", "m.yaml:2:18: signals is empty; name a signal"},
		{"cells", "{signals: U2, absent: x}", `m.yaml:2:30: absent is "x"; write the raw number`},
		{"cells", "{signals: U2, absent: -1}", `m.yaml:2:30: absent is -1, which signal U2 cannot be; write it as the signal's type reads it`},
		{"cells", "{signals: U2, absent: [65535, 65536]}", `m.yaml:2:38: absent is 65536, which signal U2 cannot be`},
		{"temperatures", "{signals: 'T{n}', absent: 65535}", `m.yaml:3:41: absent is 65535, which signal T1 cannot be`},
		{"temperatures", "{signals: 'T{n}', absent: [-32768, 32768]}", `m.yaml:3:50: absent is 32768, which signal T1 cannot be`},
		{"cells", "{signals: U2, period: 1 s, age: 100 ms}", "m.yaml:2:40: cells: they come every 1000.000 ms and would be too old after 100.000 ms; allow two or three periods"},
		{"cells", "{signals: U2, colour: red}", `m.yaml:2:22: cells has no key "colour"; the keys are`},
		{"current", "{signals: [I, U2], charge: positive}", "m.yaml:4:20: current has 2 signals; name the one signal of the module's current"},
		{"current", "{signals: I}", `m.yaml:4:1: current lacks "charge"; it is one of positive, negative`},
		{"current", "{signals: Pack.U1, charge: positive}", "m.yaml:4:20: signal Pack.U1 cannot be the current: it is cell 1 already; each signal is one thing"},
		{"bleeding", "{signals: H1}", "m.dbc:48:2: signal H1 has a scale, and is the bleed state of single cells; bits have the factor 1 and the offset 0"},
		{"bleed", "{signals: H1}", "m.dbc:48:2: signal H1 has a scale, and is the bleed command of single cells"},
		{"bleed", "{signals: C, constants: {Enable: 4}}", `m.yaml:6:41: constant Enable is "4"; the signal has 2 bits; write lines such as`},
		{"bleed", "{signals: C, constants: {Alive: 1}}", "m.yaml:6:33: message Shunt of constant Alive is no part of the bleed command; only messages with bleed bits are sent"},
		{"bleed", "{signals: C, constants: yes}", "m.yaml:6:32: constants is a single value; write lines such as"},
		{"counters", "[N1, N2]", "m.yaml:6:16: message Odd has two counters, N1 and N2; name one"},
		{"counters", "[H1]", "m.dbc:48:2: signal H1 cannot be a counter;"},
		{"checksums", "[{kind: crc32, signals: Sum}]", `kind cannot be "crc32"`},
		{"checksums", "[{kind: sum, signals: K1}]", "m.dbc:40:2: signal K1 cannot be a checksum; a checksum is one whole byte that every frame carries"},
		{"checksums", "[{kind: sum, signals: Sum, data_id: [256]}]", `data_id is "256"; write a whole number from 0 to 255`},
		{"checksums", "[{kind: sum, signals: Sum, data_id: x}]", `data_id is "x"; write id for the frame's identifier`},
		{"identity", "{model: m}", `m.yaml:5:1: identity lacks "serial"; a model and a serial tell one monitor from the next`},
		{"identity", "{model: m, serial: {text: K1}}", "m.dbc:40:2: signal K1 cannot be text of the serial; text lies in whole bytes, numbers are whole"},
		{"identity", "{model: m, serial: s, request: Hello}", `m.yaml:5:42: there is no message "Hello"; name a message of the DBC file`},
		{"shape", "round", `m.yaml:6:1: the signal map has no key "shape"`},
	} {
		var b strings.Builder
		for _, key := range []string{"dbc", "cells", "temperatures", "current", "identity"} {
			value := base[key]
			if key == x.key {
				value = x.value
			}
			b.WriteString(key + ": " + value + "\n")
		}
		if _, ok := base[x.key]; !ok {
			b.WriteString(x.key + ": " + x.value + "\n")
		}
		m, problems := parse(t, b.String(), dbc)
		assert.Nil(t, m, x.value)
		assert.Contains(t, lines(problems), x.want, "%s: %s", x.key, x.value)
	}
	_, problems := parse(t, "cells: 5\n", dbc)
	assert.Equal(t, `m.yaml:1:1: the signal map lacks "current"; say which signals they are, as `+"`current:` with `signals:` below it"+`
m.yaml:1:1: the signal map lacks "dbc"; name the DBC file, such as `+"`dbc: monitor.dbc`"+`
m.yaml:1:1: the signal map lacks "identity"; give maker, model and serial: each a text, or `+"`text:` or `numbers:`"+` with the signals that say it
m.yaml:1:1: the signal map lacks "temperatures"; say which signals they are, as `+"`temperatures:` with `signals:` below it"+`
m.yaml:1:8: cells is a single value; write its keys below it, indented by two spaces
`, sortedLines(problems))
}

func sortedLines(problems []tree.Problem) string {
	list := strings.SplitAfter(lines(problems), "\n")
	slices.Sort(list)
	return strings.Join(list, "")
}

// A DBC file of an older 8-bit coding is read; its degree sign is one byte.
func TestOldCoding(t *testing.T) {
	dbc := "\ufeff" + smallDBC
	_, problems := parse(t, smallYAML, dbc)
	require.NoError(t, tree.Error(problems))
	dbc = strings.ReplaceAll(smallDBC, "degC", "\xb0C")
	_, problems = parse(t, smallYAML, strings.ReplaceAll(dbc, "\n", "\r\n"))
	require.NoError(t, tree.Error(problems))
	dbc = strings.ReplaceAll(smallDBC, "degC", "\xb1C")
	_, problems = parse(t, smallYAML, dbc)
	require.ErrorContains(t, tree.Error(problems), `signal T1 is in "±C", which is no unit of a temperature`)
}

// Where map and bench file disagree, both are named.
func TestCheck(t *testing.T) {
	m, spec := small(t)
	spec.Cells, spec.Temps, spec.CellStep, spec.TempStep, spec.CurrentStep = 24, 6, 10, 10, 100
	spec.Period = 50 * drivers.Millisecond
	spec.BleedTimeout = 400 * drivers.Millisecond
	m.cells.period = 200 * drivers.Millisecond
	assert.Equal(t, `m.dbc:9:2: signal U1 moves in steps of 100 uV; the bench file promises 10 uV; write the signal's step, or a coarser one, into the bench file
m.dbc:15:2: signal T1 moves in steps of 100 mK; the bench file promises 10 mK; write the signal's step, or a coarser one, into the bench file
m.dbc:18:2: signal I moves in steps of 1 mA; the bench file promises 100 uA; write the signal's step, or a coarser one, into the bench file
m.yaml:2:1: the map names 4 cells, the bench file has 24; map every one of the bench's, and no other
m.yaml:2:1: cells come every 200.000 ms; the bench file promises a reading every 50.000 ms; let the bench file's period be the monitor's
m.yaml:3:1: the map names 2 temperatures, the bench file has 6; map every one of the bench's, and no other
m.yaml:7:1: bleeding has 4 bits for 24 cells; map a bit for each cell
m.yaml:8:1: bleed has 4 bits for 24 cells; map a bit for each cell
m.yaml:8:1: a command is repeated every 500.000 ms; the monitor ends bleeding after 400.000 ms; repeat at least twice within the timeout
`, lines(Check(m, spec)))

	m, spec = small(t)
	m.bleed, m.bleeding = command{}, group{}
	text := lines(Check(m, spec))
	assert.Contains(t, text, `m.yaml:1:1: the bench file has bleed resistors, and the map lacks "bleed"; map it, or take the bleed resistors out of the bench file`)
	assert.Contains(t, text, `the map lacks "bleeding"`)
	spec.Bleed = 0
	assert.Empty(t, Check(m, spec))
	m.current.signals[0].signal.least.SetInt64(-50_000)
	m.current.signals[0].signal.top.SetInt64(2_000_000)
	assert.Contains(t, lines(Check(m, spec)), "m.dbc:18:2: the bench file's range is 100.000 A; signal I reaches from -2000.000 A to 50.000 A; narrow the bench file's range")
	_, err := New(Options{Address: "unix:x", Map: m}, spec)
	assert.ErrorContains(t, err, "reaches from -2000.000 A to 50.000 A")
}

func FuzzParseMap(f *testing.F) {
	f.Add(smallYAML, smallDBC)
	text, _ := Shipped("common-monitor")
	f.Add(string(text), CommonDBC(5, 2))
	f.Add("dbc: m.dbc\ncells: {signals: 'U{nn}'}", "BO_ 1 X: 8 Y\n SG_ U01 m0M : 7|64@0- (1e-9,5) [0|1] \"V\" Y\nSG_MUL_VAL_ 1 U01 X 1-2;\nSIG_VALTYPE_ 1 U01 : 2;\nCM_ \"\\\"")
	f.Fuzz(func(t *testing.T, yaml, dbc string) {
		m, problems := ParseMap("m.yaml", []byte(yaml), func(file string) (string, []byte, error) { return file, []byte(dbc), nil })
		if (m == nil) != (len(problems) > 0) {
			t.Fatalf("map %v with %d problems", m, len(problems))
		}
		if m == nil {
			return
		}
		// A map that was taken decodes whatever comes without a panic.
		spec := smallSpec()
		spec.Cells, spec.Temps = m.Cells(), m.Temps()
		d, err := compile(m, spec)
		if err != nil {
			return
		}
		frame := Frame{Len: 8, Data: [8]byte{1, 2, 3, 4, 5, 6, 7, 8}}
		var r drivers.MonitorReading
		for i := range 3 {
			for _, st := range d.stations {
				frame.ID, frame.Flags = st.of.id, 0
				if st.of.extended {
					frame.Flags = Extended
				}
				frame.Len = uint16(8 - i)
				d.frame(&frame, drivers.Instant(1000*i))
			}
			d.read(drivers.Instant(1000*i), &r)
		}
		newBleeder(m, &spec).frames(make([]int32, (spec.Cells+15)/16))
	})
}

// The example that MAPS.md shows is a map.
func TestExampleInGuide(t *testing.T) {
	guide, err := os.ReadFile("MAPS.md")
	require.NoError(t, err)
	_, rest, ok := strings.Cut(string(guide), "```yaml\ndbc:")
	require.True(t, ok)
	example, _, ok := strings.Cut(rest, "```")
	require.True(t, ok)
	m, problems := ParseMap("guide.yaml", []byte("dbc:"+example), func(file string) (string, []byte, error) {
		assert.Equal(t, "my-monitor.dbc", file)
		return file, []byte(`BO_ 1 Cells_1: 6 M
 SG_ Cell1_Voltage : 7|16@0+ (0.1,0) [0|6000] "mV" B
 SG_ Cell2_Voltage : 23|16@0+ (0.1,0) [0|6000] "mV" B
 SG_ Alive : 32|4@1+ (1,0) [0|0] "" B
 SG_ Crc : 40|8@1+ (1,0) [0|0] "" B
BO_ 2 Slave1: 2 M
 SG_ Temp1 : 0|8@1- (1,0) [0|0] "degC" B
 SG_ Temp2 : 8|8@1- (1,0) [0|0] "degC" B
BO_ 3 Slave2: 1 M
 SG_ Temp1 : 0|8@1- (1,0) [0|0] "degC" B
BO_ 4 Pack: 8 M
 SG_ Pack_Current : 0|32@1- (0.01,0) [0|0] "A" B
 SG_ Balance_State : 32|2@1+ (1,0) [0|0] "" B
BO_ 5 Request: 2 B
 SG_ Balance_Request : 0|2@1+ (1,0) [0|0] "" M
 SG_ Balance_Enable : 8|1@1+ (1,0) [0|0] "" M
BO_ 6 Who: 8 M
 SG_ Serial_Number : 0|32@1+ (1,0) [0|0] "" B
 SG_ Version_Major : 32|8@1+ (1,0) [0|0] "" B
 SG_ Version_Minor : 40|8@1+ (1,0) [0|0] "" B
`), nil
	})
	require.NoError(t, tree.Error(problems))
	assert.Equal(t, []int{2, 3}, []int{m.Cells(), m.Temps()})
	spec := smallSpec()
	spec.Cells, spec.Temps, spec.TempStep = 2, 3, 1000
	d, err := compile(m, spec)
	require.NoError(t, err)
	d.frame(&Frame{ID: 6, Len: 8, Data: [8]byte{0xD2, 0x04, 0, 0, 3, 14}}, 1)
	id, complete, err := d.identity()
	require.NoError(t, err)
	assert.True(t, complete)
	assert.Equal(t, drivers.Identity{Maker: "Own workshop", Model: "CM24", Serial: "1234", Firmware: "3.14"}, id)
	// Lowest bit, first cell; the constant beside it.
	frames := newBleeder(m, &spec).frames([]int32{2})
	assert.Equal(t, []Frame{{ID: 5, Len: 2, Data: [8]byte{2, 1}}}, frames)
}
