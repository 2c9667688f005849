package virtual

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

func TestFaultTextRoundTrips(t *testing.T) {
	for _, tc := range []struct {
		in, out string
	}{
		{"tap-reads-low", "tap-reads-low cell=any offset=-80mV drift=0mV/h charging=10min"},
		{"tap-reads-low cell=7 offset=-80mV after=2h", "tap-reads-low cell=7 offset=-80mV drift=0mV/h after=2h"},
		{"tap-reads-low drift=-0.5mV/h for=90min", "tap-reads-low cell=any offset=-80mV drift=-500uV/h charging=10min for=90min"},
		{"link-short resistance=0.02Ohm", "link-short resistance=20mOhm precharge=0s"},
		{"link-short precharge=12ms", "link-short resistance=100mOhm precharge=12ms"},
		{"current-gain device=box gain=-2.5%", "current-gain device=box gain=-25000ppm charging=10min"},
		{"cell-overheats power=1.5W cell=1", "cell-overheats cell=1 power=1500mW charging=10min"},
		{"reference-drifts gain-drift=-0.5%/h", "reference-drifts gain-drift=-5000ppm/h charging=10min"},
		{"time-steps step=-90s for=1s", "time-steps step=-90s charging=10min for=1s"},
		{"contactor-bounces bounce=12ms", "contactor-bounces contactor=positive bounce=12ms after=0s"},
		{"tap-noisy noise=3mV cell=2", "tap-noisy cell=2 noise=3mV charging=10min"},
		{"frames-half-old share=10% rate=2%", "frames-half-old rate=2% share=10% charging=10min"},
		{"current-saturates limit=1.5A", "current-saturates device=monitor limit=1500mA charging=10min"},
		{"contactor-welded contactor=negative", "contactor-welded contactor=negative charging=10min"},
	} {
		f, err := ParseFault(tc.in)
		require.NoError(t, err, tc.in)
		assert.Equal(t, tc.out, f.String())
		back, err := ParseFault(f.String())
		require.NoError(t, err)
		assert.Equal(t, f, back)
	}
	f, err := ParseFault("tap-reads-low cell=7")
	require.NoError(t, err)
	assert.Equal(t, 6, f.Cell, "text counts from one, the field from zero")
}

func TestFaultTextRefused(t *testing.T) {
	for in, want := range map[string]string{
		"":                                        "empty",
		"tap-read-low":                            "the nearest name is tap-reads-low",
		"tap-reads-low cell":                      "is not key=value",
		"tap-reads-low cell=0":                    "write 1 for the first, or any",
		"tap-reads-low cell=-3":                   "is not a position",
		"tap-reads-low offset=80":                 `"80" is not a voltage; write it as 12V, 12mV, 12uV`,
		"tap-reads-low offset=5A":                 "is not a voltage",
		"tap-reads-low offset=0.5uV":              "is finer than one uV",
		"tap-reads-low offset=2000V":              "2000V is out of range; -1000V to 1000V is possible",
		"tap-reads-low offset=-V":                 "is not a number",
		"tap-reads-low offset=99999999999999999V": "out of range",
		"tap-reads-low sensor=2":                  `unknown key "sensor"; it knows cell, offset, drift, after`,
		"tap-reads-low cell=1 cell=2":             "cell is given twice",
		"tap-reads-low after=1s charging=1s":      "the moment it begins is given twice",
		"tap-reads-low after=-1s":                 "out of range",
		"link-short resistance=0Ohm":              "out of range",
		"tap-noisy noise=-1mV":                    "out of range",
		"contactor-bounces bounce=2s":             "out of range",
		"current-saturates device=meter":          "the meter reads no current",
		"current-reversed device=meter":           "the meter reads no current",
		"driver-hangs device=printer":             `"printer" is none of supply, load, box, monitor, meter`,
	} {
		_, err := ParseFault(in)
		if assert.Error(t, err, in) {
			assert.Contains(t, err.Error(), want, in)
		}
	}
}

// Every default must survive its own text, and have a sentence for --help.
func TestFaultCatalogue(t *testing.T) {
	seen := map[string]bool{}
	for _, info := range Faults() {
		assert.False(t, seen[info.Name], "%s stands twice", info.Name)
		seen[info.Name] = true
		assert.NotContains(t, info.Doc, "\n")
		assert.Greater(t, len(strings.Fields(info.Doc)), 3, info.Name)
		f, err := ParseFault(info.Name)
		require.NoError(t, err, info.Name)
		assert.Equal(t, info.Default, f)
		back, err := ParseFault(f.String())
		require.NoError(t, err, f.String())
		assert.Equal(t, f, back)
	}
	// A caller that changes its copy must not change the catalogue.
	Faults()[0].Params[0] = "broken"
	assert.Equal(t, "cell", Faults()[0].Params[0])
}

func FuzzParseFault(f *testing.F) {
	for _, info := range Faults() {
		f.Add(info.Default.String())
	}
	f.Add("tap-reads-low cell=7 offset=-80.5mV drift=+3uV/h charging=0.5h for=1us")
	f.Fuzz(func(t *testing.T, s string) {
		fault, err := ParseFault(s)
		if err != nil {
			return
		}
		text := fault.String()
		back, err := ParseFault(text)
		require.NoError(t, err, "%q printed as %q", s, text)
		require.Equal(t, fault, back, "%q printed as %q", s, text)
	})
}

func TestQuantityFormat(t *testing.T) {
	assert.Equal(t, "90min", quantitySpan.format(int64(90*drivers.Minute)))
	assert.Equal(t, "0s", quantitySpan.format(0))
	assert.Equal(t, "1ms", quantitySpan.format(1000))
	assert.Equal(t, "-1uV", quantityVoltage.format(-1))
	v, err := quantitySpan.parse("2.5h")
	require.NoError(t, err)
	assert.EqualValues(t, 9_000_000_000, v)
}
