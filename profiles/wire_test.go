package profiles

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// wiresText is the shipped bench whose instruments are all on wires, edited.
func wiresText(t testing.TB, pairs ...string) string {
	t.Helper()
	src := string(shippedText(t, LibraryBench, "practice-wires"))
	for i := 0; i < len(pairs); i += 2 {
		require.Contains(t, src, pairs[i])
		src = strings.ReplaceAll(src, pairs[i], pairs[i+1])
	}
	return src
}

func benchOf(t testing.TB, src string) *Bench {
	t.Helper()
	b, problems := ParseBench("bench.yaml", []byte(src))
	require.Empty(t, problems)
	return b
}

// TestWiresAreRead: what the shipped wired bench says of each instrument.
func TestWiresAreRead(t *testing.T) {
	scpi := func(port, role string) drivers.Wire {
		return drivers.Wire{Driver: "scpi", Address: "tcp:127.0.0.1:" + port, Map: "common-" + role,
			Expect: drivers.Identity{Maker: "rigwarden", Model: "virtual " + role}}
	}
	want := []Instrument{
		{"monitor", drivers.Wire{Driver: "canbus", Address: "tcp:127.0.0.1:29536", Map: "common-monitor", Expect: drivers.Identity{Maker: "rigwarden", Model: "virtual monitor"}}},
		{"supply", scpi("5025", "supply")},
		{"load", scpi("5026", "load")},
		{"box", drivers.Wire{Driver: "modbus", Address: "tcp:127.0.0.1:5020", Map: "common-box", Expect: drivers.Identity{Maker: "rigwarden", Model: "virtual box"}}},
		{"meter", scpi("5027", "meter")},
	}
	require.Equal(t, want, libraryBench(t, "practice-wires").Instruments())
	for _, i := range libraryBench(t, "practice").Instruments() {
		require.Equal(t, drivers.Wire{Driver: DriverVirtual}, i.Wire, i.Role)
	}
}

// TestPracticeBenchesAreOne: practice-wires is practice but for its name, the
// wires, and what the way over them takes.
func TestPracticeBenchesAreOne(t *testing.T) {
	a, b := libraryBench(t, "practice"), libraryBench(t, "practice-wires")
	for role, w := range b.Wires() {
		require.NotEqual(t, DriverVirtual, w.Driver, role)
		*w = *a.Wires()[role]
	}
	require.Greater(t, b.Supply.Delay, a.Supply.Delay)
	require.Greater(t, b.Load.Delay, a.Load.Delay)
	require.True(t, b.BehindWires, "what it measures must be known for simulated")
	b.Name, b.Supply.Delay, b.Load.Delay, b.BehindWires = a.Name, a.Supply.Delay, a.Load.Delay, false
	require.Equal(t, a.Bench, b.Bench)
	require.Equal(t, a.Virtual, b.Virtual)
	require.Equal(t, Protections{}, a.Protections, "a practice bench proves none")
	require.Equal(t, Protections{}, b.Protections, "a practice bench proves none")
}

// TestShippedMapsAreShipped: the maps that shipped benches and messages name
// lie where their drivers keep them.
func TestShippedMapsAreShipped(t *testing.T) {
	folders := map[string]string{DriverSCPI: "scpi/dialects", DriverCAN: "canbus/maps", DriverModbus: "modbus/maps"}
	there := func(driver, name string) {
		_, err := os.Stat(filepath.Join("../drivers", folders[driver], name+".yaml"))
		assert.NoError(t, err)
	}
	for _, i := range libraryBench(t, "practice-wires").Instruments() {
		there(i.Driver, i.Map)
	}
	for driver, w := range wires {
		for _, name := range w.like {
			there(driver, name)
		}
	}
}

// TestAddresses: every form of address that messages show is one.
func TestAddresses(t *testing.T) {
	for driver, w := range wires {
		for _, s := range strings.FieldsFunc(w.address, func(r rune) bool { return r == ',' || r == ' ' }) {
			if s != "or" {
				assert.Empty(t, badAddress(s, w.schemes), "%s: %s", driver, s)
			}
		}
	}
	for address, why := range map[string]string{
		"tcp:[fe80::1]:5025": "", "tcp:meter:1": "", "tcp:meter:502?unit=3": "", "tcp:meter:65535": "",
		"tcp:meter:65536": "host and port", "tcp:meter?unit=3": "host and port", "tcp:meter:+5025": "host and port", "tcp:fe80::1:5025": "host and port",
		"tcp:": "names nothing", "serial:": "names nothing", "tcp": "does not begin", "": "does not begin",
		"TCP:meter:5025": "does not begin", "serial:/dev/ttyUSB0 ": "blanks",
	} {
		got := badAddress(address, []string{"tcp:", "serial:"})
		if why == "" {
			assert.Empty(t, got, address)
		} else {
			assert.Contains(t, got, why, address)
		}
	}
}

// TestUnattendedNeedsAnEndWithoutTheHost (INV-12): of supply, load and box, what
// ends current when the host dies must be there for both directions; each
// combination, on wires.
func TestUnattendedNeedsAnEndWithoutTheHost(t *testing.T) {
	m := libraryModule(t, "QK-01")
	profile := strings.Replace(string(shippedText(t, LibraryProfile, "quick")), "attended: yes ", "# ", 1)
	p := profileOf(t, profile)
	require.False(t, p.Attended)
	proofs := `
protections:
  emergency_stop: {proved: 2026-10-05, by: test engineer}
  cell_cut_off: {voltage: 3.75 V, temperature: 55 degC, proved: 2026-10-05, by: test engineer}
  fuse: {rating: 10 A, proved: 2026-10-05, by: electrician}
  fire_detection: {proved: 2026-10-06, by: safety officer}
  article_interlock: {proved: 2026-10-06, by: test engineer}
`
	const unproven = "bench.yaml:87:1: an unattended run demands heartbeat: when every program is dead only the box's missing heartbeat ends the current of this bench; " +
		"fit the box's own heartbeat; run `rigwarden bench check --prove`, which proves it; then write `heartbeat: {proved: 2026-03-31, by: test engineer}` under protections, or let the profile say attended: yes"
	for _, x := range []struct {
		supply, load, heartbeat bool
		want                    string
	}{
		{true, true, true, ""},
		{true, true, false, ""},
		{true, false, true, unproven},
		{false, true, true, unproven},
		{false, false, true, unproven},
		{true, false, false, "bench.yaml:52:1: when the host dies, the current of the load goes on: the box has no heartbeat and the load no silence limit; that of the supply ends only its own; " +
			"give `heartbeat: 1 s` under box if it drops out without one, or `silence: 2 s` under load if it has a communication timeout; with neither, only attended runs"},
		{false, true, false, "bench.yaml:52:1: when the host dies, the current of the supply goes on: the box has no heartbeat and the supply no silence limit; that of the load ends only its own; " +
			"give `heartbeat: 1 s` under box if it drops out without one, or `silence: 2 s` under supply if it has a communication timeout; with neither, only attended runs"},
		{false, false, false, "bench.yaml:52:1: when the host dies, the current of the supply and of the load goes on: the box has no heartbeat and the supply and the load no silence limit; " +
			"give `heartbeat: 1 s` under box if it drops out without one, or `silence: 2 s` under supply and load if it has a communication timeout; with neither, only attended runs"},
	} {
		b := benchOf(t, wiresText(t)+proofs)
		for given, span := range map[*bool]*drivers.Span{&x.supply: &b.Supply.CommTimeout, &x.load: &b.Load.CommTimeout, &x.heartbeat: &b.Box.Heartbeat} {
			require.NotZero(t, *span)
			if !*given {
				*span = 0
			}
		}
		_, problems := Compile(p, m, b)
		if x.want == "" {
			assert.Empty(t, problems, "%+v", x)
			continue
		}
		if assert.Len(t, problems, 1, "%+v", x) {
			assert.Equal(t, x.want, problems[0].String())
		}
		if x.want == unproven {
			b.Protections.Heartbeat = &Proof{By: "test engineer"}
			_, problems = Compile(p, m, b)
			assert.Empty(t, problems, "proved: %+v", x)
		}
		_, problems = Compile(shippedProfile(t, "quick"), m, b)
		assert.Empty(t, problems, "a person is there: %+v", x)
	}
}

// INV-12: a monitor on a wire measures when it likes, so that what the host
// finds is up to a period older than on a bench that is made at once.
func TestWiredMonitorCostsAPeriod(t *testing.T) {
	p, m := shippedProfile(t, "quick"), libraryModule(t, "QK-01")
	wired := libraryBench(t, "practice-wires")
	as := BudgetOf(p, m, wired)
	// 100 ms of the frame, 100 ms of the wire, 5 ms of skew, 10 ms of window.
	assert.Equal(t, 215*drivers.Millisecond, as.Period)
	wired.Monitor.Driver = DriverVirtual
	at := BudgetOf(p, m, wired)
	assert.Equal(t, 115*drivers.Millisecond, at.Period)
	// 1.6 V over the whole charge at 4.2 A of 0.1 Ah: 18 667 uV/s; times 1.5 for
	// the chord and 1/0.8 for the weakest cell: 35 000 uV/s, for 100 ms.
	assert.InDelta(t, 1.6e6*4.2/360*1.5/0.8, as.ChargeRate, 3)
	assert.InDelta(t, 35_000*0.1, int64(as.Cell-at.Cell), 2)
}
