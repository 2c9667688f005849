package pack

import (
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// spice runs a circuit in ngspice, an independent judge, and returns time and the
// quantities named, a row each. Absent, the test is skipped unless the environment
// demands it.
func spice(t *testing.T, circuit, transient string, names ...string) [][]float64 {
	t.Helper()
	program, err := exec.LookPath("ngspice")
	if err != nil {
		if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "ngspice") {
			t.Fatal("ngspice is demanded by RIGWARDEN_REQUIRE and not installed (Debian package ngspice)")
		}
		t.Skip("ngspice is not installed (Debian package ngspice)")
	}
	dir := t.TempDir()
	deck := fmt.Sprintf("* judge\n%s\n.control\nset wr_singlescale\noption reltol=1e-6 abstol=1e-9 vntol=1e-9\n%s\nwrdata out.txt %s\nquit\n.endc\n.end\n",
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
	var rows [][]float64
	for _, line := range strings.Split(strings.TrimSpace(string(data)), "\n") {
		var row []float64
		for _, f := range strings.Fields(line) {
			v, err := strconv.ParseFloat(f, 64)
			require.NoError(t, err)
			row = append(row, v)
		}
		require.Len(t, row, len(names)+1)
		rows = append(rows, row)
	}
	return rows
}

// Three modules on the flat curve, one of them at its steep end, against ngspice to
// 0.1 % of the greatest current: currents over the whole course, charge and heat.
// No closed form is at hand for these.
func TestSpiceEqualiseOnAnyCurve(t *testing.T) {
	curve := lfp(t)
	var table []string
	for i := range curve.soc {
		table = append(table, fmt.Sprintf("%g,%g", curve.soc[i], curve.volts[i]))
	}
	start := []float64{0.997, 0.62, 0.31}
	ah, ohms := []float64{40, 39, 41}, []float64{0.036, 0.041, 0.038}
	var circuit strings.Builder
	var sources []source
	for i := range start {
		// The state of charge is the voltage of a capacitor of as many farads as the
		// module has ampere-seconds.
		fmt.Fprintf(&circuit, "b%d e%d 0 v=24*pwl(v(s%d),%s)\nv%d m%d e%d 0\nr%d m%d bus %g\nbi%d 0 s%d i=i(v%d)\nc%d s%d 0 %g ic=%g\n",
			i, i, i, strings.Join(table, ","), i, i, i, i, i, ohms[i], i, i, i, i, i, ah[i]*3600, start[i])
		b := Branch{Curve: curve, Series: 24, Capacity: ah[i]}
		sources = append(sources, b.source(start[i], 24*curve.Voltage(start[i]), ohms[i]))
	}
	rows := spice(t, circuit.String()+"rbus bus 0 1g\n", "tran 5 40000 0 5 uic", "i(v0)", "i(v1)", "i(v2)", "v(s0)", "v(s2)")
	c, err := run(sources, true)
	require.NoError(t, err)
	first := c.Moments[0].Amps
	require.Greater(t, math.Abs(first[0]), 50.0)
	compared := 0
	for _, row := range rows[1:] {
		k, found := slices.BinarySearchFunc(c.Moments, row[0], func(m Moment, at float64) int { return int(math.Copysign(1, m.Seconds-at)) })
		if found || k == 0 || k == len(c.Moments) {
			continue
		}
		a, b := &c.Moments[k-1], &c.Moments[k]
		part := (row[0] - a.Seconds) / (b.Seconds - a.Seconds)
		compared++
		for i := range start {
			assert.InDelta(t, row[1+i], a.Amps[i]+part*(b.Amps[i]-a.Amps[i]), 1e-3*math.Abs(first[0]), "module %d at %g s", i, row[0])
		}
	}
	assert.Greater(t, compared, 1000)
	last := rows[len(rows)-1]
	heat := 0.0
	for i := 1; i < len(rows); i++ {
		for m := range start {
			heat += (rows[i-1][1+m]*rows[i-1][1+m] + rows[i][1+m]*rows[i][1+m]) / 2 * ohms[m] * (rows[i][0] - rows[i-1][0])
		}
	}
	assert.InEpsilon(t, heat, c.Heat[0]+c.Heat[1]+c.Heat[2], 0.01)
	assert.InDelta(t, last[4], start[0]+c.Moved[0]*3600/(ah[0]*3600), 2e-3)
	assert.InDelta(t, last[5], start[2]+c.Moved[2]*3600/(ah[2]*3600), 2e-3)
}
