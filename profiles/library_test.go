package profiles

import (
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// shippedPairs are the modules and profiles that each shipped bench is for: the
// practice benches have an article of their own, which shares nothing with the
// boat's modules.
func shippedPairs(bench string) (modules, profiles []string) {
	practice := func(name string) bool { return name == "QK-01" || name == "quick" }
	only := strings.HasPrefix(bench, "practice")
	keep := func(names []string) []string {
		return slices.DeleteFunc(names, func(name string) bool { return practice(name) != only })
	}
	return keep(Names(KindModule)), keep(Names(KindProfile))
}

func libraryBench(t testing.TB, name string) *Bench {
	t.Helper()
	src, err := LibraryBench(name)
	require.NoError(t, err)
	b, problems := ParseBench(name+".yaml", src)
	require.Empty(t, problems)
	return b
}

func libraryModule(t testing.TB, serial string) *Module {
	t.Helper()
	src, err := LibraryModule(serial)
	require.NoError(t, err)
	m, problems := ParseModule(serial+".yaml", src)
	require.Empty(t, problems)
	return m
}

// Every shipped profile compiles for every shipped module on every shipped
// bench that is meant for them, and the machine accepts the plan.
func TestLibraryCompiles(t *testing.T) {
	require.Equal(t, []string{"KW-01", "KW-02", "KW-03", "KW-04", "QK-01"}, Names(KindModule))
	require.Equal(t, []string{"practice", "practice-wires", "quay-1"}, Names(KindBench))
	require.Contains(t, Names(KindProfile), "qualify")
	for _, bench := range Names(KindBench) {
		b := libraryBench(t, bench)
		require.Equal(t, bench, b.Name)
		modules, profiles := shippedPairs(bench)
		require.NotEmpty(t, profiles)
		for _, serial := range modules {
			m := libraryModule(t, serial)
			require.Equal(t, serial, m.Serial)
			for _, name := range profiles {
				p := shippedProfile(t, name)
				require.Equal(t, name, p.Name)
				plan, problems := Compile(p, m, b)
				require.Empty(t, problems, "%s on %s with %s", name, bench, serial)
				require.NoError(t, plan.Check(), name)
			}
		}
	}
}

func TestLibraryCriteria(t *testing.T) {
	for _, name := range Names(KindCriteria) {
		src, err := LibraryCriteria(name)
		require.NoError(t, err)
		c, problems := ParseCriteria(name+".yaml", src)
		require.Empty(t, problems)
		require.Equal(t, name, c.Name)
	}
	src, err := LibraryCriteria("kw-acceptance")
	require.NoError(t, err)
	c, _ := ParseCriteria("c.yaml", src)
	assert.Equal(t, RuleConditional, c.Rule)
	assert.EqualValues(t, 1_000_000, c.GuardBand)
	assert.Equal(t, "2026-09-14", c.Agreed.On.Format("2006-01-02"))
	first := c.Require[0]
	assert.Equal(t, "capacity", first.Figure)
	assert.True(t, first.AtLeast)
	assert.EqualValues(t, 39*drivers.AmpereHour, first.Limit)
	assert.Equal(t, "39 Ah", first.Text)
}

func TestLibraryNamesWhatItHas(t *testing.T) {
	_, err := LibraryModule("KW-09")
	require.EqualError(t, err, `no shipped module "KW-09"; there are KW-01, KW-02, KW-03, KW-04, QK-01`)
	require.ErrorIs(t, err, fs.ErrNotExist)
	_, err = LibraryProfile("../library_test")
	require.Error(t, err)
}

// What the shipped qualifying profile becomes, kept to be read: a change here
// changes what every module goes through.
func TestQualifyListing(t *testing.T) {
	plan, problems := Compile(shippedProfile(t, "qualify"), shippedModule(t), shippedBench(t))
	require.Empty(t, problems)
	golden(t, filepath.Join(testdata, "qualify.code.txt"), Listing(plan))
}

// What the shipped proof becomes.
func TestProofListing(t *testing.T) {
	plan, problems := Compile(shippedProfile(t, "proof"), shippedModule(t), shippedBench(t))
	require.Empty(t, problems)
	golden(t, filepath.Join(testdata, "proof.code.txt"), Listing(plan))
}

// What the other shipped profiles become for the boat's module, with what they are
// expected to take.
func TestShippedListings(t *testing.T) {
	for _, name := range []string{"first-charge", "capacity", "pulses", "balance", "storage", "watch"} {
		t.Run(name, func(t *testing.T) {
			plan, problems := Compile(shippedProfile(t, name), shippedModule(t), shippedBench(t))
			require.Empty(t, problems)
			v := Predict(plan)
			head := fmt.Sprintf("%s: about %d min, %.1f Ah in, %.1f Ah out\n", plan.Profile, v.Span/drivers.Minute,
				float64(v.Charged)/float64(drivers.AmpereHour), float64(v.Discharged)/float64(drivers.AmpereHour))
			golden(t, filepath.Join(testdata, name+".code.txt"), head+Listing(plan))
		})
	}
}

// Charge is counted to the middle of what the module's file says, from full or
// from empty, and to the middle of 30 % and 50 % where it says nothing; from
// anywhere else it is refused.
func TestCountedToStorage(t *testing.T) {
	const down = "profile: x\nsteps:\n  - charge: {current: C/2, hold: 3.5 V, taper: C/20}\n  - rest: 1 h\n  - discharge: {current: C/3, counted: to storage}\n"
	const up = "profile: x\nsteps:\n  - discharge: {current: C/3, cell_end: 2.6 V}\n  - charge: {current: C/3, cell_end: 3.5 V, counted: to storage}\n"
	counted := func(src string, m *Module) drivers.Charge {
		p, problems := ParseProfile("profile.yaml", []byte(src))
		require.Empty(t, problems)
		plan, problems := Compile(p, m, shippedBench(t))
		require.Empty(t, problems)
		for _, in := range slices.Backward(plan.Code) {
			if in.Drive != nil {
				return in.Drive.Charge
			}
		}
		return 0
	}
	m := shippedModule(t) // 20 % to 40 % of 40 Ah
	assert.Equal(t, 28*drivers.AmpereHour, counted(down, m))
	assert.Equal(t, 12*drivers.AmpereHour, counted(up, m))
	src := strings.Replace(string(shippedText(t, LibraryModule, "KW-01")), "storage: 20 % to 40 %", "", 1)
	silent, problems := ParseModule("KW-01.yaml", []byte(src))
	require.Empty(t, problems)
	assert.Equal(t, 24*drivers.AmpereHour, counted(down, silent))
	assert.Equal(t, 16*drivers.AmpereHour, counted(up, silent))

	for _, src := range []string{
		"profile: x\nsteps:\n  - discharge: {current: C/3, counted: to storage}\n",
		"profile: x\nsteps:\n  - charge: {current: C/2, hold: 3.5 V, taper: C/20}\n  - charge: {current: C/2, cell_end: 3.5 V, counted: to storage}\n",
		"profile: x\nsteps:\n  - charge: {current: C/2, hold: 3.5 V, taper: C/20, for: 1 h}\n  - discharge: {current: C/3, counted: to storage}\n",
		"profile: x\nsteps:\n  - charge: {current: C/2, hold: 3.5 V, taper: C/20}\n  - ask: look\n  - discharge: {current: C/3, counted: to storage}\n",
		"profile: x\nsteps:\n  - charge: {current: C/2, hold: 3.5 V, taper: C/20}\n  - repeat: {times: 2, steps: [{discharge: {current: C/3, counted: to storage}}]}\n",
	} {
		p, problems := ParseProfile("profile.yaml", []byte(src))
		require.Empty(t, problems, src)
		_, problems = Compile(p, m, shippedBench(t))
		require.NotEmpty(t, problems, src)
		assert.Contains(t, problems[0].What, "from a state of charge that nobody knows here")
	}
}

// The preview of the qualifying profile: at least a day, under two, and the
// charge that three cycles of the rated capacity and the rest amount to.
func TestQualifyPreview(t *testing.T) {
	plan, problems := Compile(shippedProfile(t, "qualify"), shippedModule(t), shippedBench(t))
	require.Empty(t, problems)
	v := Predict(plan)
	assert.Greater(t, v.Span, 24*drivers.Hour)
	assert.Less(t, v.Span, 45*drivers.Hour)
	// Out: three times 40 Ah less the ends of the table, then 50 % and 20 %,
	// and three pulses of 40 A for 10 s.
	ah := float64(v.Discharged) / float64(drivers.AmpereHour)
	assert.InDelta(t, 3*40*0.988+20+8+3*40*10/3600.0, ah, 0.5)
	wh := float64(v.EnergyOut) / float64(drivers.WattHour)
	assert.InDelta(t, ah*24*3.2, wh, 0.02*wh, "close to the nominal voltage of 3.2 V")
	var sum drivers.Span
	for _, s := range v.Steps {
		sum += s.Span
	}
	assert.Equal(t, v.Span, sum)
}
