package virtual

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// Every line of the catalogue says what a campaign must know: where the fault
// lies, when it matters, and within which bounds each number may be drawn.
func TestCatalogueIsComplete(t *testing.T) {
	order := []Class{ClassSensor, ClassFrames, ClassDriver, ClassInstrument, ClassBox, ClassArticle, ClassFile}
	at := 0
	for _, info := range Faults() {
		k := slices.Index(order, info.Class)
		require.GreaterOrEqual(t, k, at, "%s: class %q", info.Name, info.Class)
		at = k
		assert.NotZero(t, info.Matters&Anything, info.Name)
		var drawn []string
		for _, r := range info.Ranges {
			drawn = append(drawn, r.Key)
			assert.Positive(t, r.Least, "%s %s", info.Name, r.Key)
			assert.Greater(t, r.Greatest, 2*r.Least, "%s %s", info.Name, r.Key)
			v, ok := info.Default.Value(r.Key)
			require.True(t, ok, "%s %s", info.Name, r.Key)
			// The default is one that a draw could give, on the workshop's bench.
			w := WorkshopBench()
			on := r.On(&w, 40*drivers.AmpereHour)
			if v < 0 && r.Signed {
				v = -v
			}
			if v != 0 || !r.Optional {
				assert.True(t, v >= on.Least && v <= on.Greatest, "%s: %s of %d outside %+v", info.Name, r.Key, v, on)
			}
		}
		for _, key := range info.Params {
			if paramOf(key).number != nil {
				assert.Contains(t, drawn, key, info.Name)
			}
			if key == "device" {
				assert.Contains(t, info.Devices, info.Default.Device, info.Name)
			}
		}
		for _, h := range info.Hardware {
			assert.Contains(t, []string{"cell_high", "cell_low", "temp_high", "charge_high", "discharge_high", "step_charge", "inrush"}, h.Out, info.Name)
		}
	}
	assert.Equal(t, ClassFile, order[at])
	_, ok := FaultOf(TapNoisy)
	assert.True(t, ok)
	_, ok = FaultOf("gremlin")
	assert.False(t, ok)
}

// Draws keep to their ranges, can be put into a bench, read back from their
// text, and are small as often as large.
func TestDraw(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	r := plant.NewRand(seed, 1)
	b, rated := WorkshopBench(), 4*drivers.AmpereHour
	b.Monitor.Cells, b.Monitor.Temps = 6, 2
	for _, info := range Faults() {
		require.True(t, info.Fits(&b), info.Name)
		const n = 400
		small, negative, zero := map[string]int{}, map[string]int{}, map[string]int{}
		for range n {
			f := info.Draw(r, &b, rated)
			require.NoError(t, f.check(), "%s", f)
			back, err := ParseFault(f.String())
			require.NoError(t, err, f.String())
			require.Equal(t, f, back)
			for _, x := range info.Ranges {
				on := x.On(&b, rated)
				v, ok := f.Value(x.Key)
				require.True(t, ok)
				if v == 0 && x.Optional {
					zero[x.Key]++
					continue
				}
				if v < 0 {
					require.True(t, x.Signed, "%s", f)
					negative[x.Key]++
					v = -v
				}
				require.True(t, v >= on.Least && v <= on.Greatest, "%s: %s outside %+v", f, x.Key, on)
				if float64(v) < math.Sqrt(float64(on.Least)*float64(on.Greatest)) {
					small[x.Key]++
				}
			}
		}
		for _, x := range info.Ranges {
			all := n - zero[x.Key]
			// Five standard deviations of a fair coin.
			assert.InDelta(t, all/2, small[x.Key], 2.5*math.Sqrt(n), "%s %s", info.Name, x.Key)
			if x.Signed {
				assert.InDelta(t, all/2, negative[x.Key], 2.5*math.Sqrt(n), "%s %s", info.Name, x.Key)
			}
			if x.Optional {
				assert.InDelta(t, n/2, zero[x.Key], 2.5*math.Sqrt(n), "%s %s", info.Name, x.Key)
			}
		}
		c := Config{Bench: b, Article: DefaultArticle(), Seed: 7, Faults: []Fault{info.Draw(r, &b, rated)}}
		_, err := New(c)
		require.NoError(t, err, info.Name)
	}
}

// A table of single faults has each direction and each place once.
func TestVariants(t *testing.T) {
	b := WorkshopBench()
	texts := func(k FaultKind) (list []string) {
		info, ok := FaultOf(k)
		require.True(t, ok)
		for _, f := range info.Variants(&b) {
			require.NoError(t, f.check())
			list = append(list, f.String())
		}
		assert.Equal(t, info.Default.String(), list[0])
		return list
	}
	assert.Len(t, texts(TapOpen), 1)
	assert.Equal(t, []string{"scale-wrong gain=-2% after=0s", "scale-wrong gain=2% after=0s"}, texts(ScaleWrong))
	assert.Len(t, texts(CurrentOffset), 8, "two signs at four meters")
	assert.Len(t, texts(ContactorWelded), 3)
	assert.Len(t, texts(DriverHangs), 5)
	b.Box.CurrentStep = 0
	assert.Len(t, texts(CurrentOffset), 6, "a box without a current sensor")
	r := plant.NewRand(5, 5)
	info, _ := FaultOf(CurrentOffset)
	for range 100 {
		assert.NotEqual(t, DeviceBox, info.Draw(r, &b, drivers.AmpereHour).Device)
	}
}

// A range that grows with the article or the monitor's period is counted in base
// units on a bench: 1 C of 4 Ah is 4 A.
func TestRangeOnBench(t *testing.T) {
	b := WorkshopBench()
	x := between("current", 2_000, 1_000_000).perAmpere().On(&b, 4*drivers.AmpereHour)
	assert.Equal(t, Range{Key: "current", Least: 8_000, Greatest: 4_000_000}, x)
	x = between("delay", 500_000, 1_000_000_000).perPeriod().On(&b, 0)
	assert.Equal(t, Range{Key: "delay", Least: 50_000, Greatest: int64(lateMax)}, x, "cut to what a bench keeps")
}

func TestWith(t *testing.T) {
	f, err := ParseFault("tap-reads-low cell=2")
	require.NoError(t, err)
	g, ok := f.With("offset", -3)
	assert.True(t, ok)
	assert.EqualValues(t, -3, g.Voltage)
	assert.EqualValues(t, -80_000, f.Voltage, "the original stays")
	v, ok := g.Value("offset")
	assert.True(t, ok)
	assert.EqualValues(t, -3, v)
	g, ok = f.With("for", int64(drivers.Second))
	assert.True(t, ok)
	assert.Equal(t, drivers.Second, g.For)
	for _, key := range []string{"rate", "cell", "for ", ""} {
		_, ok = f.With(key, 1)
		assert.False(t, ok, key)
		_, ok = f.Value(key)
		assert.False(t, ok, key)
	}
	_, ok = f.With("offset", 2e9)
	assert.False(t, ok, "out of range")
}

// What no software bounds: energy that no command and no contactor takes off.
func TestBeyond(t *testing.T) {
	of := func(texts ...string) []Hardware {
		var list []Fault
		for _, s := range texts {
			f, err := ParseFault(s)
			require.NoError(t, err)
			list = append(list, f)
		}
		return Beyond(list...)
	}
	assert.Empty(t, of("supply-ignores-off"))
	assert.Empty(t, of("commands-ignored device=box"))
	assert.Empty(t, of("supply-ignores-off", "contactor-welded"), "the other contactor opens")
	assert.Empty(t, of("driver-hangs", "commands-ignored device=box"), "its communication timeout takes it off")
	cut := []Hardware{{"cell_high", ByCellCutOff}, {"temp_high", ByCellCutOff}}
	assert.Equal(t, cut, of("supply-ignores-off", "commands-ignored device=box"))
	assert.Equal(t, cut, of("commands-ignored", "contactor-welded contactor=negative", "contactor-welded contactor=positive"))
	assert.Contains(t, of("load-ignores-off", "commands-ignored device=box"), Hardware{"cell_low", ByCellCutOff})
	assert.Equal(t, of("link-short"), of("link-short", "load-shorts"), "each is named once")
	assert.Contains(t, of("link-short"), Hardware{"discharge_high", ByFuse})
	assert.Contains(t, of("link-short", "commands-ignored device=box"), Hardware{"cell_low", ByCellCutOff})
	assert.NotContains(t, of("link-short"), Hardware{"cell_low", ByCellCutOff})
}
