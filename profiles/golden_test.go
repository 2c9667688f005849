package profiles

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var rewrite = flag.Bool("rewrite", false, "rewrite the golden files of testdata/profiles")

const testdata = "../testdata/profiles"

// golden compares text with a golden file, or writes it.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *rewrite {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err, "run go test ./profiles -rewrite and read the difference")
	require.Equal(t, string(want), got)
}

// edits of the shipped files that compile-*.yaml name in a comment.
var edits = map[string][]string{
	"bench: weak": {
		"{max: 60 A,", "{max: 30 A,", "power_max: 6 kW", "power_max: 2 kW",
		"  bleed: {resistance: 6.8 Ohm, neighbours: no, timeout: 5 s}\n", "", "bleed: 47 kOhm", "bleed: 4 kOhm"},
	"bench: small resistor": {"  switch_time: 30 ms\n", "  switch_time: 30 ms\n  resistor: {energy: 2 J, sheds_in: 1 min}\n"},
	"module: 16 cells":      {"series: 24", "series: 16", "[2, 6, 11, 14, 19, 23]", "[2, 6, 11, 14]"},
	"bench: unprotected": {
		"  emergency_stop: {proved: 2026-10-05, by: test engineer}\n", "",
		"  insulation_monitor: {proved: 2026-10-06, by: electrician}\n", "",
		"voltage: 3.65 V,", "voltage: 3.70 V,", "rating: 80 A", "rating: 40 A",
		"  heartbeat: 1 s\n", "", "  silence: 2 s          # the instrument's own communication timeout\n", ""},
	"bench: coarse": {"{step: 0.1 mV, accuracy: 0.5 mV}", "{step: 1 mV, accuracy: 2 mV}",
		"{step: 0.1 K, accuracy: 0.5 K}", "{step: 0.1 K, accuracy: 2 K}", "lease: 1 s ", "lease: 5 s "},
}

// compileCase compiles a profile against the shipped module and bench, edited
// as its first line asks.
func compileCase(t *testing.T, name, src string) []Problem {
	t.Helper()
	module, bench := string(shippedText(t, LibraryModule, "KW-01")), string(shippedText(t, LibraryBench, "quay-1"))
	first, _, _ := strings.Cut(src, "\n")
	if edit, ok := strings.CutPrefix(first, "# "); ok {
		pairs, known := edits[edit]
		require.True(t, known, "no edit %q", edit)
		for i := 0; i < len(pairs); i += 2 {
			require.Contains(t, module+bench, pairs[i])
			module, bench = strings.ReplaceAll(module, pairs[i], pairs[i+1]), strings.ReplaceAll(bench, pairs[i], pairs[i+1])
		}
	}
	m, problems := ParseModule("KW-01.yaml", []byte(module))
	require.Empty(t, problems)
	b, problems := ParseBench("quay-1.yaml", []byte(bench))
	require.Empty(t, problems)
	p, problems := ParseProfile(name, []byte(src))
	require.Empty(t, problems)
	plan, problems := Compile(p, m, b)
	require.Equal(t, plan == nil, len(problems) > 0)
	return problems
}

func shippedText(t testing.TB, get func(string) ([]byte, error), name string) []byte {
	t.Helper()
	src, err := get(name)
	require.NoError(t, err)
	return src
}

// Every bad file is refused with all of its mistakes at once, each with its
// place and with what would be right.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(testdata, "bad", "*.yaml"))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 25)
	for _, file := range files {
		base := filepath.Base(file)
		t.Run(strings.TrimSuffix(base, ".yaml"), func(t *testing.T) {
			src, err := os.ReadFile(file)
			require.NoError(t, err)
			var problems []Problem
			switch kind, _, _ := strings.Cut(base, "-"); kind {
			case "module":
				_, problems = ParseModule(base, src)
			case "bench":
				_, problems = ParseBench(base, src)
			case "profile":
				_, problems = ParseProfile(base, src)
			case "criteria":
				_, problems = ParseCriteria(base, src)
			case "compile":
				problems = compileCase(t, base, string(src))
			default:
				t.Fatalf("%s: the name says no kind", base)
			}
			require.NotEmpty(t, problems, "this file is bad and was accepted")
			for _, p := range problems {
				require.NotEmpty(t, p.What)
				require.NotEmpty(t, p.Right, "%s says not what would be right", p)
			}
			golden(t, strings.TrimSuffix(file, ".yaml")+".txt", Error(problems).Error()+"\n")
		})
	}
}
