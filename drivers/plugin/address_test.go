package plugin

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestParseAddress(t *testing.T) {
	for in, want := range map[string]target{
		"unix:/run/supply.sock":       {network: "unix", place: "/run/supply.sock"},
		"tcp:10.0.0.7:7100":           {network: "tcp", place: "10.0.0.7:7100"},
		"tcp:[fe80::1]:7100":          {network: "tcp", place: "[fe80::1]:7100"},
		"exec:python3 my_supply.py":   {command: []string{"python3", "my_supply.py"}},
		"exec:  a  b\tc ":             {command: []string{"a", "b", "c"}},
		`exec:a 'b c' "d \"e" f\ g`:   {command: []string{"a", "b c", `d "e`, "f g"}},
		`exec:a '' ""`:                {command: []string{"a", "", ""}},
		`exec:'it'\''s' x"y"z`:        {command: []string{"it's", "xyz"}},
		`exec:a 'back\slash' $HOME *`: {command: []string{"a", `back\slash`, "$HOME", "*"}},
	} {
		got, err := parseAddress(in)
		require.NoError(t, err, in)
		require.Equal(t, want, got, in)
	}
	for in, want := range map[string]string{
		"":                   "exec:COMMAND ARGS, unix:/path or tcp:host:port would be right",
		"supply":             "exec:COMMAND ARGS",
		"exec:":              "exec:COMMAND ARGS",
		"exec:  ":            "no command",
		"udp:10.0.0.7:7100":  "exec:COMMAND ARGS",
		"tcp:10.0.0.7":       "lacks host or port",
		"tcp::7100":          "lacks host or port",
		"tcp:10.0.0.7:":      "lacks host or port",
		"unix:/run/a b":      "a blank",
		"exec:a 'b":          "a quote ' that nothing closes",
		`exec:a "b`:          `a quote " that nothing closes`,
		`exec:a b\`:          "a backslash at the end",
		`exec:"" b`:          "an empty command",
		"tcp:host name:7100": "a blank",
	} {
		_, err := parseAddress(in)
		require.ErrorContains(t, err, want, in)
	}
}

// What is quoted comes back as it was.
func FuzzCommandAddress(f *testing.F) {
	f.Add("python3", "my supply.py")
	f.Add("a'b", `c"d\`)
	f.Add("a", "")
	f.Add("a", "\n\t x")
	f.Fuzz(func(t *testing.T, a, b string) {
		if a == "" {
			return // no command
		}
		got, err := parseAddress(CommandAddress(a, b))
		require.NoError(t, err)
		require.Equal(t, target{command: []string{a, b}}, got)
	})
}

// Whatever is written in an address is either parted or refused.
func FuzzParseAddress(f *testing.F) {
	for _, s := range []string{"exec:a 'b c'", `exec:\`, "unix:/x", "tcp:a:1", "exec:\"", ":", "exec:a\\ b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := parseAddress(s)
		if err != nil {
			return
		}
		require.NotEqual(t, len(got.command) > 0, got.network != "", "either a command or a place")
		if len(got.command) > 0 {
			again, err := parseAddress(CommandAddress(got.command...))
			require.NoError(t, err)
			require.Equal(t, got, again)
		}
	})
}
