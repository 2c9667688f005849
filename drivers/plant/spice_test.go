package plant

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// trace is what the circuit simulator computed: uneven times and one column
// for each asked quantity.
type trace struct {
	at      []float64
	columns map[string][]float64
}

// value returns a quantity at a time, on a straight line between points.
func (tr *trace) value(name string, at float64) float64 {
	v := tr.columns[name]
	i := sort.SearchFloat64s(tr.at, at)
	i = min(max(i, 1), len(tr.at)-1)
	part := (at - tr.at[i-1]) / (tr.at[i] - tr.at[i-1])
	return v[i-1] + part*(v[i]-v[i-1])
}

// spice runs a circuit in ngspice, an independent judge, and returns the
// quantities named. Absent, the test is skipped unless the environment demands
// it.
func spice(t *testing.T, circuit, transient string, names ...string) *trace {
	t.Helper()
	program, err := exec.LookPath("ngspice")
	if err != nil {
		if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "ngspice") {
			t.Fatal("ngspice is demanded by RIGWARDEN_REQUIRE and not installed (Debian package ngspice)")
		}
		t.Skip("ngspice is not installed (Debian package ngspice)")
	}
	dir := t.TempDir()
	deck := fmt.Sprintf("* judge\n%s\n.control\nset wr_singlescale\nset wr_vecnames\n"+
		"option reltol=1e-6 abstol=1e-9 vntol=1e-9\n%s\nwrdata out.txt %s\nquit\n.endc\n.end\n",
		circuit, transient, strings.Join(names, " "))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "x.cir"), []byte(deck), 0o600))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, "-b", "x.cir", "-o", "x.log")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	log, _ := os.ReadFile(filepath.Join(dir, "x.log"))
	require.NoError(t, err, "ngspice: %s%s", out, log)
	// An error inside .control still exits with 0.
	require.NotContains(t, strings.ToLower(string(log)), "error", "ngspice's log")
	data, err := os.ReadFile(filepath.Join(dir, "out.txt"))
	require.NoError(t, err, "ngspice: %s%s", out, log)
	return parseTrace(t, data, names)
}

func parseTrace(t *testing.T, data []byte, names []string) *trace {
	t.Helper()
	tr := &trace{columns: map[string][]float64{}}
	for i, line := range bytes.Split(bytes.TrimSpace(data), []byte("\n")) {
		fields := strings.Fields(string(line))
		require.Len(t, fields, len(names)+1, "line %d of ngspice's data", i+1)
		if i == 0 {
			continue // names
		}
		for j, f := range fields {
			v, err := strconv.ParseFloat(f, 64)
			require.NoError(t, err)
			if j == 0 {
				tr.at = append(tr.at, v)
			} else {
				tr.columns[names[j-1]] = append(tr.columns[names[j-1]], v)
			}
		}
	}
	require.Greater(t, len(tr.at), 10)
	return tr
}

// Precharge of a link with a bleed resistor from a module of 24 real
// resistances, then the main contactor closes, against ngspice to 0.1 %.
func TestSpicePrecharge(t *testing.T) {
	const volts = 24 * 3.3
	s := CellSpec{Chemistry: Linear(3.3, 3.3), Capacity: 40 * 3600, R0: 0.75e-3}
	m, err := Draw(1, Build{Cell: s, Series: 24, SoC: 0.5, Kelvin: kelvin25C, Joint: 60e-6, Terminals: 300e-6}, Spread{})
	require.NoError(t, err)
	b, err := NewBench(m, Network{Link: 1e-3, LinkBleed: 2e3, Precharge: 50, Contact: 0.2e-3, Leads: 4e-3})
	require.NoError(t, err)
	inner := 24*(0.75e-3+60e-6) + 300e-6 + 4e-3 + 0.2e-3
	tr := spice(t, fmt.Sprintf(`v1 a 0 %g
r1 a b %g
r2 b link 50
s1 b link gate 0 main
vg gate 0 pwl(0 0 0.2 0 0.200001 1)
c1 link 0 1m ic=0
r3 link 0 2k
.model main sw vt=0.5 ron=0.2m roff=1g`, volts, inner), "tran 0.1m 0.25 0 0.05m uic", "v(link)", "i(v1)")

	b.Switch(Contacts{Negative: true, Precharge: true})
	look := func(at float64) {
		b.Advance(drivers.Span(at*1e6+0.5) - b.Now())
		assertRelative(t, tr.value("v(link)", at), b.LinkVoltage(), 1e-3, "link at %g s", at)
		assertRelative(t, tr.value("i(v1)", at), b.Module().Current(), 1e-3, "current at %g s", at)
	}
	for _, at := range []float64{0.002, 0.01, 0.03, 0.05, 0.1, 0.15, 0.199} {
		look(at)
	}
	b.Advance(200*drivers.Millisecond - b.Now())
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	look(0.24)
}

// A pulse on a cell with two RC pairs, check values 1.4's, against ngspice to
// 0.1 % of the voltage's deflection.
func TestSpicePulse(t *testing.T) {
	tr := spice(t, `v1 a 0 3.7
r0 a b 1.2m
r1 b c 0.8m
c1 b c 2500
r2 c term 1.0m
c2 c term 40000
i1 term 0 pwl(0 0 1 0 1.000001 100 31 100 31.000001 0 71 0 71.000001 -75 81 -75)`,
		"tran 10m 81 0 10m", "v(term)")
	b, err := NewBench(alone(t, pulseCell(), 0.5), Network{Link: 1e-9, Precharge: 1})
	require.NoError(t, err)
	b.Switch(Contacts{Negative: true, Precharge: true, Positive: true})
	b.Advance(drivers.Second)
	look := func(at float64) {
		b.Advance(drivers.Span(at*1e6+0.5) - b.Now())
		assert.InDelta(t, tr.value("v(term)", at), b.Module().Voltage(0), 0.25*1e-3, "terminal at %g s", at)
	}
	b.SetLoad(Source{Current: 100})
	for _, at := range []float64{1.1, 2, 3, 5, 11, 21, 30.99} {
		look(at)
	}
	b.Advance(31*drivers.Second - b.Now())
	b.SetLoad(Source{})
	for _, at := range []float64{31.1, 32, 40, 70.99} {
		look(at)
	}
	b.Advance(71*drivers.Second - b.Now())
	b.SetSupply(Source{Current: 75, Voltage: 6})
	for _, at := range []float64{71.1, 73, 80.99} {
		look(at)
	}
}

// Two modules with an RC pair each equalise, against ngspice to 0.1 %: no
// closed form is at hand for this one.
func TestSpiceEqualise(t *testing.T) {
	tr := spice(t, fmt.Sprintf(`ca a 0 3562.5 ic=116.8
ra a a1 %g
rap a1 a2 %g
cap a1 a2 %g ic=0
cb b 0 3750 ic=118.4
rb b b1 %g
rbp b1 b2 %g
cbp b1 b2 %g ic=0
vi b2 m 0
rl m a2 8m`, 32*1.6e-3, 32*0.9e-3, 20/(32*0.9e-3), 32*1.5e-3, 32*0.7e-3, 20/(32*0.7e-3)),
		"tran 0.2 1000 0 0.2 uic", "i(vi)", "v(a2)", "v(b2)")
	a := capacitorModule(t, 116.8, 38, 1.6e-3, 0.9e-3)
	b := capacitorModule(t, 118.4, 40, 1.5e-3, 0.7e-3)
	p, err := NewParallel(a, b, 8e-3)
	require.NoError(t, err)
	for _, at := range []float64{1, 5, 20, 50, 100, 300, 600, 999} {
		p.Advance(drivers.Span(at*1e6) - a.now)
		assertRelative(t, tr.value("i(vi)", at), p.Current(), 1e-3, "current at %g s", at)
		assertRelative(t, tr.value("v(a2)", at), a.TerminalVoltage(), 1e-5, "first module at %g s", at)
		assertRelative(t, tr.value("v(b2)", at), b.TerminalVoltage(), 1e-5, "second module at %g s", at)
	}
}
