package guard

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// A frame costs no allocation, in health and while tripping.
func TestNoAllocations(t *testing.T) {
	r := newRig(t, nil)
	r.flow(10_000_000)
	step := func() {
		for _, k := range beatKinds {
			r.f.Counts[r.layout.Find(k)]++
		}
		r.f.At = r.f.At.Add(100 * ms)
		r.g.Check(&r.f, &r.x)
	}
	require.Zero(t, testing.AllocsPerRun(500, step))
	require.Empty(t, r.next())
	for i := range r.f.Counts {
		r.f.Counts[i] = drivers.NoReading
	}
	for _, k := range beatKinds {
		r.f.Counts[r.layout.Find(k)] = 1000
	}
	require.Zero(t, testing.AllocsPerRun(500, step))
	require.Greater(t, len(r.next()), 30)
}

func BenchmarkCheck(b *testing.B) {
	for _, size := range []struct{ cells, temps int }{{24, 6}, {512, 128}} {
		b.Run(fmt.Sprintf("%dcells", size.cells), func(b *testing.B) {
			r := newRigOf(b, size.cells, size.temps, nil)
			r.flow(10_000_000)
			var beats []int
			for _, k := range beatKinds {
				beats = append(beats, r.layout.Find(k))
			}
			b.ReportAllocs()
			for n := 0; b.Loop(); n++ {
				for _, i := range beats {
					r.f.Counts[i]++
				}
				r.f.At = r.f.At.Add(100 * ms)
				r.f.Counts[n%size.cells] ^= 1
				if len(r.g.Check(&r.f, &r.x)) > 0 {
					b.Fatal("found something")
				}
			}
		})
	}
}

// The guard is pure: no clock, no I/O, no logger, no randomness, no float.
func TestPurity(t *testing.T) {
	files, err := os.ReadDir(".")
	require.NoError(t, err)
	for _, e := range files {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), e.Name(), nil, 0)
		require.NoError(t, err)
		for _, i := range file.Imports {
			require.NotContains(t, []string{`"time"`, `"log"`, `"log/slog"`, `"os"`, `"io"`, `"math/rand"`, `"math/rand/v2"`, `"net"`}, i.Path.Value, e.Name())
		}
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.Ident:
				require.NotContains(t, []string{"float64", "float32", "complex128"}, n.Name, e.Name())
			case *ast.BasicLit:
				require.NotEqual(t, token.FLOAT, n.Kind, "%s: %s", e.Name(), n.Value)
			}
			return true
		})
	}
}

func TestNewRefuses(t *testing.T) {
	layout := layoutOf(t, 24, 6)
	for _, tt := range []struct {
		name   string
		change func(l *Limits)
		want   string
	}{
		{"nothing set", func(l *Limits) { *l = Limits{} }, "stale_us must be positive"},
		{"cells", func(l *Limits) { l.CellMin = l.CellMax }, "cell_min 3600000 uV must be under cell_max 3600000 uV"},
		{"plausible", func(l *Limits) { l.CellPlausibleMax = l.CellMax }, "must enclose the limits"},
		{"temperatures", func(l *Limits) { l.TempChargeMin = 0 }, "temp_charge_min 0 mK must be positive"},
		{"table", func(l *Limits) { l.ChargeTable = []ChargeRow{{2, 1}, {1, -1}} }, "charge_table row 2: rows must come by rising temperature"},
		{"table current", func(l *Limits) { l.ChargeTable = []ChargeRow{{2, 1}, {1, -1}} }, "charge_table row 2: current -1 uA"},
		{"current", func(l *Limits) { l.CurrentPlausible = l.ChargeMax }, "current_plausible"},
		{"lone", func(l *Limits) { l.LoneSpan = 0 }, "lone_span must be positive"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := limitsOf(24)
			tt.change(&l)
			_, err := New(&l, layout)
			require.ErrorContains(t, err, tt.want)
		})
	}
	l := limitsOf(24)
	for at, ch := range layout.Channels {
		if ch.Kind == drivers.BoxCurrent || ch.Kind == drivers.LinkVoltage || ch.Kind == drivers.SupplyVoltage || ch.Kind == drivers.LoadVoltage || ch.Kind == drivers.BleedState || at < 30 {
			continue
		}
		without := &drivers.Layout{Channels: append(append([]drivers.Channel{}, layout.Channels[:at]...), layout.Channels[at+1:]...)}
		_, err := New(&l, without)
		require.ErrorContains(t, err, "no "+ch.Kind.String()+" channel")
	}
}

// Limits that fall between two counts round to the safe side, with an offset
// and a fractional scale too.
func TestRoundingToTheSafeSide(t *testing.T) {
	layout := layoutOf(t, 3, 1)
	for i := range 3 {
		layout.Channels[i].Scale = drivers.Scale{Num: 1500, Den: 7, Offset: 13}
	}
	l := limitsOf(3)
	g, err := New(&l, layout)
	require.NoError(t, err)
	// count 16799: 13 + 3599785.7 uV is under 3.6 V, 16800 is 3600013 uV.
	require.Equal(t, int32(16799), g.lim.cell.hi)
	// count 11666: 13 + 2499857.1 uV is under 2.5 V, 11667 is 2500084.4 uV.
	require.Equal(t, int32(11667), g.lim.cell.lo)
}
