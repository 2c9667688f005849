package modbus

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

var rewrite = flag.Bool("rewrite", false, "rewrite golden files")

func parse(t testing.TB, name, src string) *Map {
	t.Helper()
	m, problems := ParseMap(name, []byte(src))
	require.NoError(t, tree.Error(problems))
	return m
}

func shippedMap(t testing.TB, name string) *Map {
	t.Helper()
	src, ok := Shipped(name)
	require.True(t, ok, name)
	return parse(t, name+".yaml", string(src))
}

func TestShippedMaps(t *testing.T) {
	require.Equal(t, []string{"common-box", "common-insulation", "common-thermometer"}, Names())
	for _, name := range Names() {
		assert.Equal(t, name, shippedMap(t, name).Name)
	}
	_, ok := Shipped("no-such")
	assert.False(t, ok)

	m := shippedMap(t, "common-box")
	groups := gather(m.measured(), m.gap)
	require.Len(t, groups, 1, "a reading is one request")
	assert.Equal(t, "read input registers 0 to 6", groups[0].request.String())
	who := gather(present(append(m.identity[:], m.heartbeat.limit)), m.gap)
	require.Len(t, who, 2)
	assert.Equal(t, "read input registers 100 to 127", who[1].request.String())
	assert.True(t, m.Box && m.Beat() && m.Heartbeat())
	assert.Len(t, gather(shippedMap(t, "common-thermometer").measured(), 8), 1)
	assert.Len(t, gather(shippedMap(t, "common-insulation").measured(), 8), 2)
}

// Each file under testdata/bad is a map with mistakes; beside it is everything
// that must be said about it, each with its place.
func TestBadMaps(t *testing.T) {
	files, err := filepath.Glob("testdata/bad/*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			src, err := os.ReadFile(file)
			require.NoError(t, err)
			m, problems := ParseMap(filepath.Base(file), src)
			require.Nil(t, m)
			require.NotEmpty(t, problems)
			var got strings.Builder
			for _, p := range problems {
				fmt.Fprintln(&got, p)
			}
			golden := strings.TrimSuffix(file, ".yaml") + ".txt"
			if *rewrite {
				require.NoError(t, os.WriteFile(golden, []byte(got.String()), 0o644))
			}
			want, err := os.ReadFile(golden)
			require.NoError(t, err)
			require.Equal(t, string(want), got.String())
		})
	}
}

func one(t testing.TB, line string) *point {
	t.Helper()
	return parse(t, "one.yaml", "map: one\nfor: points\npoints:\n  x: {"+line+"}\n").points[0]
}

// What two registers mean in each order and type. The float's bits are IEEE
// 754's own: 0x42280000 is 42 (computed).
func TestDecode(t *testing.T) {
	const none = math.MinInt64
	for _, c := range []struct {
		point string
		words []uint16
		want  int64
	}{
		{"table: input, at: 0, type: u16, step: 0.01 V", []uint16{8640}, 86_400_000},
		{"table: input, at: 0, type: u16, step: 0.01 V", []uint16{0xffff}, 655_350_000},
		{"table: input, at: 0, type: u16, step: 0.01 V, bytes: low first", []uint16{0xc021}, 86_400_000},
		{"table: input, at: 0, type: s16, step: 10 mA", []uint16{0xfffe}, -20_000},
		{"table: input, at: 0, type: s16, step: 10 mA, invalid: 0x8000", []uint16{0x8000}, none},
		{"table: input, at: 0, type: s16, step: 10 mA, invalid: -32768", []uint16{0x8000}, none},
		{"table: input, at: 0, type: s16, step: 10 mA, invalid: [0x7FFF, -1]", []uint16{0xffff}, none},
		{"table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC", []uint16{253}, 298_450},
		{"table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC, valid: -40 degC to 150 degC", []uint16{1500}, 423_150},
		{"table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC, valid: -40 degC to 150 degC", []uint16{1501}, none},
		{"table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC, valid: -40 degC to 150 degC", []uint16{65536 - 401}, none},
		{"table: input, at: 0, type: u32, step: 1 kOhm", []uint16{0x0001, 0x0002}, 65_538_000_000_000},
		{"table: input, at: 0, type: u32, step: 1 kOhm, words: low first", []uint16{0x0002, 0x0001}, 65_538_000_000_000},
		{"table: input, at: 0, type: u32, step: 1 Ohm, invalid: 0xFFFFFFFF", []uint16{0xffff, 0xffff}, none},
		{"table: input, at: 0, type: s32, step: 1 mV", []uint16{0xffff, 0xffff}, -1000},
		{"table: input, at: 0, type: s32, step: 1 mV, words: low first, bytes: low first", []uint16{0xfeff, 0xffff}, -2000},
		{"table: input, at: 0, type: float32, step: 1 V", []uint16{0x4228, 0x0000}, 42_000_000},
		{"table: input, at: 0, type: float32, step: 1 V, words: low first", []uint16{0x0000, 0x4228}, 42_000_000},
		{"table: input, at: 0, type: float32, step: 1 V", []uint16{0x7fc0, 0x0000}, none},
		{"table: input, at: 0, type: float32, step: 1 V", []uint16{0x7f80, 0x0000}, none},
		{"table: input, at: 0, type: float32, step: 1 V", []uint16{0x7f7f, 0xffff}, none},
		{"table: input, at: 0, type: float32, step: 1 V, valid: -5 V to 120 V", []uint16{0x42f0, 0x0001}, none},
		{"table: holding, at: 0, type: u16", []uint16{7}, 7},
		{"table: holding, at: 0, bit: 15", []uint16{0x8000}, 1},
		{"table: holding, at: 0, bit: 15, inverted: yes", []uint16{0x8000}, 0},
		{"table: holding, at: 0, bit: 7, bytes: low first", []uint16{0x8000}, 1},
		{"table: coil, at: 0", []uint16{1}, 1},
		{"table: discrete, at: 0, inverted: yes", []uint16{1}, 0},
	} {
		v := one(t, c.point).value(c.words)
		if c.want == none {
			assert.Equal(t, Value{Name: "x", Dimension: v.Dimension}, v, "%s: % x", c.point, c.words)
			continue
		}
		assert.True(t, v.Valid, "%s: % x", c.point, c.words)
		assert.Equal(t, c.want, v.Amount, "%s: % x", c.point, c.words)
	}
	assert.Equal(t, "x: 25.3 degC", one(t, "table: input, at: 0, type: s16, step: 0.1 K, zero: 0 degC").value([]uint16{253}).String())
	assert.Equal(t, "x: no reading", one(t, "table: input, at: 0, type: s16, step: 1 V, invalid: 9").value([]uint16{9}).String())
	assert.Equal(t, "x: yes", one(t, "table: coil, at: 0").value([]uint16{1}).String())
}

func TestText(t *testing.T) {
	for _, c := range []struct {
		chars int
		low   bool
		words []uint16
		want  string
	}{
		{8, false, []uint16{0x4b57, 0x2d30, 0x3100, 0x0000}, "KW-01"},
		{8, true, []uint16{0x574b, 0x302d, 0x0031, 0x0000}, "KW-01"},
		{5, false, []uint16{0x4b57, 0x2d30, 0x3141}, "KW-01"},
		{6, false, []uint16{0x4b57, 0x2020, 0x2020}, "KW"},
		{4, false, []uint16{0x4bff, 0x0a41}, "K??A"},
		{4, false, []uint16{0, 0x4141}, ""},
	} {
		p := &point{form: formText, chars: c.chars, lowByte: c.low, bit: -1}
		assert.Equal(t, c.want, p.text(c.words))
	}
	assert.Equal(t, "1204", (&point{form: formU16, bit: -1, step: 1}).text([]uint16{1204}))
}

// The address on the wire and the number in a manual are one apart, and the
// number is an address too.
func TestAddressNotation(t *testing.T) {
	for _, c := range []struct{ table, at, want string }{
		{"holding", "40108", "write `at: 107`"},
		{"holding", "400108", "write `at: 107`"},
		{"input", "30001", "write `at: 0`"},
		{"discrete", "10017", "write `at: 16`"},
		{"coil", "00017", "write `at: 16`"},
		{"input", "400108", "write `at: 107`"},
		{"input", "65536", "from 0 to 65535"},
		{"input", "-1", "from 0 to 65535"},
		{"input", "0x10000", "from 0 to 65535"},
		{"input", "1e3", "from 0 to 65535"},
	} {
		more := ", type: u16"
		if c.table == "coil" || c.table == "discrete" {
			more = ""
		}
		_, problems := ParseMap("x.yaml", fmt.Appendf(nil, "map: x\nfor: points\npoints:\n  p: {table: %s, at: %s%s}\n", c.table, c.at, more))
		require.NotEmpty(t, problems, "%s %s", c.table, c.at)
		assert.Contains(t, problems[0].String(), "x.yaml:4:", "%s %s", c.table, c.at)
		assert.Contains(t, problems[0].Right, c.want, "%s %s", c.table, c.at)
	}
	assert.EqualValues(t, 40108, one(t, "table: holding, at: 0x9CAC, type: u16").at, "in hexadecimal it is beyond doubt")
	assert.EqualValues(t, 40108, one(t, "table: input, at: 40108, type: u16").at)
	assert.EqualValues(t, 65535, one(t, "table: input, at: 65535, type: u16").at)
}

// However the points lie, each is read by exactly one request that covers it
// and keeps the standard's bounds, and no request takes along more than the gap.
func TestGather(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gap := rapid.IntRange(0, 20).Draw(t, "gap")
		var points []*point
		for i := range rapid.IntRange(1, 40).Draw(t, "points") {
			p := &point{name: fmt.Sprint(i), table: rapid.SampledFrom([]table{coil, discrete, input, holding}).Draw(t, "table")}
			p.at = uint16(rapid.IntRange(0, 300).Draw(t, "at"))
			if !p.table.bits() {
				p.form = rapid.SampledFrom([]form{formU16, formU32, formText}).Draw(t, "form")
				p.chars = rapid.IntRange(1, 250).Draw(t, "chars")
			}
			points = append(points, p)
		}
		seen := map[*point]int{}
		for _, g := range gather(points, gap) {
			most, between := 125, gap
			if g.function <= readDiscrete {
				most, between = 2000, 16*gap
			}
			used := map[int]bool{}
			for _, p := range g.points {
				seen[p]++
				if readFunctions[p.table] != g.function || int(p.at) < int(g.at) || int(p.at)+p.size() > int(g.at)+g.count {
					t.Fatalf("%v does not cover %s", &g.request, p.place())
				}
				for i := range p.size() {
					used[int(p.at)+i] = true
				}
				r := reply{words: make([]uint16, g.count)}
				if len(g.words(r, p)) != p.size() {
					t.Fatalf("%v gives %s the wrong registers", &g.request, p.place())
				}
			}
			if g.count < 1 || g.count > most {
				t.Fatalf("%v: %d things", &g.request, g.count)
			}
			for i, idle := int(g.at), 0; i < int(g.at)+g.count; i++ {
				if idle++; used[i] {
					idle = 0
				}
				if idle > between {
					t.Fatalf("%v takes along more than %d unused", &g.request, between)
				}
			}
		}
		for _, p := range points {
			if seen[p] != 1 {
				t.Fatalf("%s is read %d times", p.place(), seen[p])
			}
		}
	})
}

const splitBox = `
map: split
for: box
link: {table: input, at: 0, type: u16, step: 10 mV}
feedback:
  negative: {table: discrete, at: 0}
  precharge: {table: discrete, at: 1}
  positive: {table: discrete, at: 2}
commands:
  write: %s
  negative: {table: coil, at: %d}
  precharge: {table: coil, at: %d}
  positive: {table: coil, at: %d}
`

// Whatever the layout of the coils, no combination is commanded on the way that
// closes anything beyond both the old and the new one.
func TestStepsOpenFirst(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ats := rapid.SliceOfNDistinct(rapid.IntRange(0, 6), 3, 3, rapid.ID[int]).Draw(t, "coils")
		write := rapid.SampledFrom([]string{"as fits", "single", "many"}).Draw(t, "write")
		m, problems := ParseMap("split.yaml", fmt.Appendf(nil, splitBox, write, ats[0], ats[1], ats[2]))
		if len(problems) > 0 {
			t.Fatal(problems)
		}
		from := drivers.Contactors(rapid.IntRange(0, 7).Draw(t, "from"))
		want := drivers.Contactors(rapid.IntRange(0, 7).Draw(t, "want"))
		known := rapid.Bool().Draw(t, "known")
		now := from
		steps := m.commands.steps(from, want, known)
		for _, r := range steps {
			for i, v := range r.values {
				for k, at := range ats {
					if at == int(r.at)+i {
						now = now&^(1<<k) | drivers.Contactors(v)<<k
					}
				}
				if r.values[i] > 1 {
					t.Fatalf("a coil is set to %d", v)
				}
			}
			if known && now&^(from|want) != 0 {
				t.Fatalf("on the way from %d to %d it is %d", from, want, now)
			}
			// Anything that is closing while something has still to open.
			if closing, left := now&^from, now&from&^want; len(m.commands.runs()) > 1 && closing != 0 && left != 0 {
				t.Fatalf("from %d to %d: %d closes while %d has to open", from, want, closing, left)
			}
			if write == "single" && r.function != writeCoil || write == "many" && r.function != writeCoils {
				t.Fatalf("function %d", r.function)
			}
		}
		if now != want {
			t.Fatalf("it ends at %d, not %d", now, want)
		}
		if len(m.commands.runs()) == 1 && len(steps) != 1 {
			t.Fatal("one write could do it all")
		}
	})
}

func TestCommandRegisters(t *testing.T) {
	const box = `
map: registers
for: box
link: {table: input, at: 0, type: u16, step: 10 mV}
feedback: {negative: {table: discrete, at: 0}, positive: {table: discrete, at: 1}}
commands:
  %s
`
	m := parse(t, "bits.yaml", fmt.Sprintf(box, "others: 0x0010\n  negative: {table: holding, at: 9, bit: 0}\n  positive: {table: holding, at: 9, bit: 2}"))
	steps := m.commands.steps(drivers.BoxNegative, drivers.BoxNegative|drivers.BoxPositive, true)
	require.Len(t, steps, 1)
	assert.Equal(t, request{function: writeRegister, at: 9, count: 1, values: []uint16{0x0015}}, steps[0])
	assert.Equal(t, []uint16{0x0010}, m.commands.open()[0].values)
	assert.Equal(t, drivers.Contactors(drivers.BoxNegative|drivers.BoxPositive), m.commands.there, "no precharge contactor")

	m = parse(t, "values.yaml", fmt.Sprintf(box, "negative: {table: holding, at: 3, type: u16, on: 0x0100, off: 0x0200}\n  positive: {table: holding, at: 4, type: u16, on: 0x0100, off: 0x0200}"))
	assert.Equal(t, []request{{function: writeRegisters, at: 3, count: 2, values: []uint16{0x0100, 0x0200}}}, m.commands.steps(0, drivers.BoxNegative, true))
	assert.Equal(t, []uint16{0x0200, 0x0200}, m.commands.open()[0].values)
}

func FuzzParseMap(f *testing.F) {
	for _, name := range Names() {
		src, _ := Shipped(name)
		f.Add(src)
	}
	bad, err := filepath.Glob("testdata/bad/*.yaml")
	require.NoError(f, err)
	for _, file := range bad {
		src, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(src)
	}
	f.Add(fmt.Appendf(nil, splitBox, "single", 1, 2, 5))
	f.Fuzz(func(t *testing.T, src []byte) {
		m, problems := ParseMap("fuzz.yaml", src)
		if (m == nil) != (len(problems) > 0) {
			t.Fatalf("map %v with %d problems", m, len(problems))
		}
		if m == nil {
			return
		}
		// Whatever was accepted can be asked for, answered and understood.
		for _, g := range gather(append(m.measured(), present(m.identity[:])...), m.gap) {
			if int(g.at)+g.count > 1<<16 || g.count < 1 {
				t.Fatalf("%v is no request", &g.request)
			}
			r := reply{words: make([]uint16, g.count)}
			for i := range r.words {
				r.words[i] = uint16(len(src) * (i + 1) * 7919)
			}
			for _, p := range g.points {
				if p.form == formText {
					_ = p.text(g.words(r, p))
				} else if v := p.value(g.words(r, p)); v.Valid && p.bounded && (v.Amount < p.lo || v.Amount > p.hi) {
					t.Fatalf("%s gives %d outside its range", p.place(), v.Amount)
				}
			}
		}
		if !m.Box {
			return
		}
		for c := range drivers.Contactors(8) {
			if c&^m.commands.there != 0 {
				continue
			}
			for _, r := range m.commands.steps(0, c, false) {
				if len(r.pdu()) > maxPDU || len(r.values) != r.count {
					t.Fatalf("%v cannot be sent", &r)
				}
			}
		}
	})
}

func TestAddresses(t *testing.T) {
	a, err := parseAddress("rtu:/dev/ttyUSB0?baud=9600&parity=none&unit=3")
	require.NoError(t, err)
	assert.Equal(t, serialMode{9600, "none", 2}, a.mode)
	assert.Equal(t, "/dev/ttyUSB0", a.path)
	assert.EqualValues(t, 3, a.unit)
	a, err = parseAddress("rtu:/dev/ttyS0")
	require.NoError(t, err)
	assert.Equal(t, serialMode{19200, "even", 1}, a.mode)
	a, err = parseAddress("tcp:[::1]:502?unit=255")
	require.NoError(t, err)
	assert.Equal(t, "[::1]:502", a.host)
	for address, want := range map[string]string{
		"10.0.0.5:502":                   "begins with tcp: or rtu:",
		"tcp:10.0.0.5":                   "host and port",
		"tcp:10.0.0.5:502?baud=9600":     `"baud" means nothing`,
		"tcp:10.0.0.5:502?unit=256":      "0 to 255",
		"tcp:10.0.0.5:502?unit=1&unit=2": "given twice",
		"rtu:":                           "name the serial port",
		"rtu:/dev/ttyS0?baud=fast":       "no speed",
		"rtu:/dev/ttyS0?parity=mark":     "even, odd, none",
		"rtu:/dev/ttyS0?stop=3":          "neither 1 nor 2",
		"rtu:/dev/ttyS0?speed=9600":      `"speed" means nothing`,
	} {
		_, err := parseAddress(address)
		assert.ErrorContains(t, err, want, address)
	}
	for _, unit := range []uint8{0, 248} {
		m := *shippedMap(t, "common-thermometer")
		m.unit = unit
		_, err := NewPoints(Options{Address: "rtu:/dev/null", Map: &m})
		assert.ErrorContains(t, err, "on a serial line units are 1 to 247")
	}
}
