package host

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestHandshake(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, writeReady(&b, "unix:/run/slip 1/driver.sock"))
	require.Equal(t, "rigwarden-driver 1 ready unix:/run/slip 1/driver.sock\n", b.String())
	network, address, err := readHandshake(&b)
	require.NoError(t, err)
	require.Equal(t, []string{"unix", "/run/slip 1/driver.sock"}, []string{network, address})

	b.Reset()
	require.NoError(t, writeFailed(&b, errors.New("supply: no answer\nfrom 10.0.0.5:5025 \"psu\"")))
	require.Equal(t, 1, strings.Count(b.String(), "\n"), "one line, whatever the reason")
	_, _, err = readHandshake(&b)
	require.ErrorIs(t, err, ErrStart)
	require.ErrorContains(t, err, "supply: no answer\nfrom 10.0.0.5:5025 \"psu\"")

	b.Reset()
	require.NoError(t, writeFailed(&b, errors.New(strings.Repeat("\x00", 1<<20))))
	_, _, err = readHandshake(&b)
	require.ErrorIs(t, err, ErrStart, "the longest reason still makes a line that is read")
}

func TestHandshakeRefuses(t *testing.T) {
	for _, c := range []struct {
		said string
		want error
		text string
	}{
		{"", ErrHandshake, "ended without a word"},
		{"rigwarden-driver 1 ready unix:/x", ErrHandshake, "no end of line"},
		{"Usage: psu [flags]\n", ErrHandshake, `"Usage: psu [flags]"`},
		{"rigwarden-driver one ready unix:/x\n", ErrHandshake, "would be right"},
		{"rigwarden-driver 2 ready unix:/x\n", ErrVersion, "2, here 1"},
		{"rigwarden-driver 1 steady unix:/x\n", ErrHandshake, "ready or failed"},
		{"rigwarden-driver 1 ready /x\n", ErrHandshake, "unix:/path or tcp:host:port"},
		{"rigwarden-driver 1 ready udp:10.0.0.1:1\n", ErrHandshake, "unix:/path or tcp:host:port"},
		{"rigwarden-driver 1 ready unix:\n", ErrHandshake, "unix:/path or tcp:host:port"},
		{"rigwarden-driver 1 failed because\n", ErrHandshake, "quoted string"},
		{strings.Repeat("x", 1<<20), ErrHandshake, "..."},
	} {
		_, _, err := readHandshake(strings.NewReader(c.said))
		require.ErrorIs(t, err, c.want, "%.60q", c.said)
		require.ErrorContains(t, err, c.text)
		require.Less(t, len(err.Error()), 300)
	}
}

func FuzzHandshake(f *testing.F) {
	f.Add("rigwarden-driver 1 ready unix:/run/driver.sock")
	f.Add(`rigwarden-driver 1 failed "why"`)
	f.Add("rigwarden-driver 9 ready tcp:[::1]:80")
	f.Fuzz(func(t *testing.T, line string) {
		network, address, err := parseHandshake(line)
		known := errors.Is(err, ErrHandshake) || errors.Is(err, ErrVersion) || errors.Is(err, ErrStart)
		if (err == nil) == known || err == nil && (address == "" || network != "unix" && network != "tcp") {
			t.Fatalf("%q: %q %q %v", line, network, address, err)
		}
	})
}
