package profiles

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// without is the shipped bench lacking one protection.
func without(t *testing.T, key string) *Bench {
	t.Helper()
	src, err := LibraryBench("quay-1")
	require.NoError(t, err)
	var lines []string
	for _, l := range strings.Split(string(src), "\n") {
		if !strings.HasPrefix(l, "  "+key+": {") {
			lines = append(lines, l)
		}
	}
	require.Len(t, lines, strings.Count(string(src), "\n"), "the shipped bench declares %s", key)
	b, problems := ParseBench("bench.yaml", []byte(strings.Join(lines, "\n")))
	require.Empty(t, problems)
	return b
}

// INV-12: an unattended run demands each protection that software cannot
// replace, and says what to fit, prove and write; an attended one is told, in its
// record, and may start.
func TestEachProtectionIsDemanded(t *testing.T) {
	for _, key := range []string{"emergency_stop", "cell_cut_off", "fuse", "fire_detection", "article_interlock", "insulation_monitor"} {
		t.Run(key, func(t *testing.T) {
			b := without(t, key)
			_, problems := Compile(profileOf(t, "profile: x\nsteps:\n"+fullCharge), shippedModule(t), b)
			require.Len(t, problems, 1)
			assert.Contains(t, problems[0].What, "an unattended run demands "+key+": ")
			assert.Contains(t, problems[0].Right, "fit ")
			assert.Contains(t, problems[0].Right, "; then write `"+key+": {")
			assert.Contains(t, problems[0].Right, "attended: yes")

			plan, problems := Compile(profileOf(t, "profile: x\nattended: yes\nsteps:\n"+fullCharge), shippedModule(t), b)
			require.Empty(t, problems)
			require.Equal(t, machine.OpNote, plan.Code[0].Op)
			assert.Equal(t, "attended: this bench proves no "+key+"; somebody stays beside it and can take the energy off", plan.Code[0].Note.Text)
		})
	}
}

// What a demand says to write is what a bench file takes.
func TestDemandsAreWritable(t *testing.T) {
	for _, row := range protectionTable {
		src, err := LibraryBench("quay-1")
		require.NoError(t, err)
		var lines []string
		for _, l := range strings.Split(string(src), "\n") {
			if !strings.HasPrefix(l, "  "+row.Key+": {") {
				lines = append(lines, l)
			}
			if l == "protections:" {
				lines = append(lines, "  "+row.Write)
			}
		}
		b, problems := ParseBench("bench.yaml", []byte(strings.Join(lines, "\n")))
		require.Empty(t, problems, row.Key)
		require.True(t, row.declared(&b.Protections), row.Key)
	}
}

func TestInsulationAboveClassB(t *testing.T) {
	b, m := shippedBench(t), *shippedModule(t)
	keys := func() (out []string) {
		for _, d := range b.Demands(&m) {
			out = append(out, d.Key)
		}
		return out
	}
	// Up to 60 V d.c. no insulation monitor is demanded: 16 cells of 3.60 V.
	m.Series = 16
	require.NotContains(t, keys(), "insulation_monitor")
	m.Series = 17
	require.Contains(t, keys(), "insulation_monitor")
}

// A supply of 61 A on cells of 60 A gives 61 A when its own shunt reads too
// little, and its armed limit reads the same shunt: an independent limit of the
// current is demanded then, and its value counts in place of the range.
func TestRangeOverTheMakersCurrent(t *testing.T) {
	charge := profileOf(t, "profile: x\nsteps:\n"+fullCharge)
	m := shippedModule(t)
	require.Equal(t, 60*drivers.Ampere, m.Maker.ChargeMax)
	b := shippedBench(t)
	require.Equal(t, 60*drivers.Ampere, b.Supply.CurrentMax)
	_, problems := Compile(charge, m, b)
	require.Empty(t, problems, "a range up to the maker's limit needs nothing")

	b.Supply.CurrentMax = 61 * drivers.Ampere
	_, problems = Compile(charge, m, b)
	require.Len(t, problems, 1)
	assert.Contains(t, problems[0].What, "demands current_limit")
	assert.Contains(t, problems[0].What, "the supply's range of 61 A is over the cell maker's charge_max of 60 A")
	_, problems = Compile(profileOf(t, "profile: x\nattended: yes\nsteps:\n"+fullCharge), m, b)
	require.Empty(t, problems, "an attended run is told")

	b.Protections.CurrentLimit = &CurrentLimit{Charge: 60 * drivers.Ampere, Discharge: 100 * drivers.Ampere}
	_, problems = Compile(charge, m, b)
	require.Empty(t, problems)
	b.Protections.CurrentLimit.Charge = 62 * drivers.Ampere
	_, problems = Compile(charge, m, b)
	require.Len(t, problems, 1)
	assert.Contains(t, problems[0].What, "current_limit.charge of 62 A does not protect module KW-01")
	assert.Equal(t, "between 45 A and 60 A", problems[0].Right)
}

// A load that jumps to its whole range at the end of a discharge pulls the lowest
// cell down by what its resistance makes of the difference: (100 A - 13.33 A) *
// 1.5 mOhm = 130 mV, so that 2.60 V would become 2.47 V, under the maker's 2.50 V
// (computed).
func TestRunawayLoad(t *testing.T) {
	const out = "profile: x\nsteps:\n  - close\n  - discharge: {current: C/3, cell_end: 2.60 V/cell}\n"
	m, b := shippedModule(t), shippedBench(t)
	b.Load.CurrentMax = 100 * drivers.Ampere
	_, problems := Compile(profileOf(t, out), m, b)
	require.Len(t, problems, 1)
	assert.Contains(t, problems[0].What, "a load that jumps to 100 A would pull a cell at 2.6 V/cell under the maker's 2.5 V/cell")
	b.Protections.CurrentLimit = &CurrentLimit{Charge: 60 * drivers.Ampere, Discharge: 60 * drivers.Ampere}
	_, problems = Compile(profileOf(t, out), m, b)
	require.Empty(t, problems, "hardware bounds it to 60 A: 70 mV")
}

// A fuse must melt where it has to, and not where it must not. The module's
// short-circuit current is 3.2 V over 1.5 mOhm, 2133 A (computed).
func TestFuseRating(t *testing.T) {
	b, charge := shippedBench(t), profileOf(t, "profile: x\nsteps:\n"+fullCharge)
	for rating, what := range map[drivers.Microamps]string{
		49: "a fuse of 49 A blows under the working current", 50: "", 213: "",
		214: "a fuse of 214 A is slow to melt at the short-circuit current of module KW-01, about 2133.3 A",
	} {
		b.Protections.Fuse.Rating = rating * drivers.Ampere
		_, problems := Compile(charge, shippedModule(t), b)
		if what == "" {
			require.Empty(t, problems)
			continue
		}
		require.Len(t, problems, 1)
		assert.Equal(t, what, problems[0].What)
	}
}
