package scpi_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/scpi"
)

func TestShipped(t *testing.T) {
	assert.Equal(t, []string{"common-load", "common-meter", "common-supply"}, scpi.Names())
	for _, name := range scpi.Names() {
		d := shipped(t, name)
		assert.Equal(t, name, d.Name())
		assert.Equal(t, "common-"+d.Role(), name)
		assert.NotEmpty(t, d.About())
	}
	_, ok := scpi.Shipped("../doc.go")
	assert.False(t, ok)
}

// The worked example of the guide is a dialect.
func TestGuide(t *testing.T) {
	guide, err := os.ReadFile("DIALECTS.md")
	require.NoError(t, err)
	_, rest, found := strings.Cut(string(guide), "```yaml\ndialect:")
	require.True(t, found)
	example, _, found := strings.Cut(rest, "```")
	require.True(t, found)
	d, problems := scpi.ParseDialect("guide.yaml", []byte("dialect:"+example))
	require.Empty(t, problems)
	assert.Equal(t, "load", d.Role())
}

// What an instrument reads back ends with a unit where its measurements do.
func TestReadBackWithAUnit(t *testing.T) {
	src := string(must(scpi.Shipped("common-supply")))
	for ask, suffix := range map[string]string{
		"SOUR:CURR?": "A", "SOUR:VOLT?": "V", "SOUR:VOLT:PROT?": "V", "SOUR:CURR:PROT?": "A", "SYST:COMM:TIM?": "sec",
	} {
		line := `ask: "` + ask + "\"\n"
		require.Equal(t, 1, strings.Count(src, line), ask)
		src = strings.Replace(src, "    "+line, "    "+line+"    suffix: "+suffix+"\n", 1)
	}
	d, problems := scpi.ParseDialect("x.yaml", []byte(src))
	require.Empty(t, problems)
	f := newFake(t)
	says := map[string]string{
		"SOUR:VOLT:PROT?": "75.000 V", "SOUR:CURR:PROT?": "30.000A", "SYST:COMM:TIM?": "1.000 sec",
		"SOUR:CURR?": "5.000 A", "SOUR:VOLT?": "60.000V",
	}
	for ask, reply := range says {
		f.says(ask, reply+"\n")
	}
	p := armed(t, f, false, scpi.Options{Dialect: d})
	require.NoError(t, p.Set(patience(t), fakeSet))
	assert.Contains(t, f.messages(), "OUTP ON")

	f.says("SOUR:CURR?", "5.000 V\n") // another question's reply
	require.ErrorIs(t, p.Set(patience(t), drivers.Setpoint{On: true, Current: drivers.Ampere, Voltage: 60 * drivers.Volt}), scpi.ErrReply)
	f = newFake(t)
	f.says("SOUR:VOLT:PROT?", "76.000 V\n")
	p = supplyAt(t, scpi.Options{Address: f.address, Dialect: d})
	_, err := p.Arm(patience(t), fakeLimits)
	require.ErrorContains(t, err, "reads back 76000000")
}

// Every mistake at once, each with its place and what would be right. Files in
// testdata hold the dialect and, after a line of dashes, what is to be said.
func TestDialectProblems(t *testing.T) {
	files, err := filepath.Glob("testdata/bad-*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		src, err := os.ReadFile(file)
		require.NoError(t, err)
		dialect, want, found := strings.Cut(string(src), "-----\n")
		require.True(t, found, file)
		_, problems := scpi.ParseDialect("my.yaml", []byte(dialect))
		var got strings.Builder
		for _, p := range problems {
			got.WriteString(p.String() + "\n")
		}
		assert.Equal(t, want, got.String(), file)
	}
}

// A dialect that is accepted can be driven: whatever stands in it, no message
// holds a line's end, and nothing panics.
func FuzzParseDialect(f *testing.F) {
	for _, name := range scpi.Names() {
		src, _ := scpi.Shipped(name)
		f.Add(src)
	}
	files, _ := filepath.Glob("testdata/bad-*.txt")
	for _, file := range files {
		src, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(src)
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		d, problems := scpi.ParseDialect("fuzz.yaml", src)
		if (d == nil) != (len(problems) > 0) {
			t.Fatalf("dialect %v with problems %v", d, problems)
		}
		if d == nil {
			return
		}
		for _, m := range d.Messages() {
			if m == "" || strings.ContainsAny(m, "\r\n") || len(m) > 200 {
				t.Fatalf("message %q", m)
			}
		}
	})
}
