package plugin

import (
	"encoding/hex"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// The records in the guide are what it says they are.
func TestGuidesRecords(t *testing.T) {
	text, err := os.ReadFile("PLUGINS.md")
	require.NoError(t, err)
	var got []host.Record
	for _, line := range regexp.MustCompile(`(?m)^52 57 4c 31 .*$`).FindAllString(string(text), -1) {
		b, err := hex.DecodeString(strings.ReplaceAll(line, " ", ""))
		require.NoError(t, err)
		require.Len(t, b, host.RecordSize)
		r, err := host.DecodeRecord(b)
		require.NoError(t, err)
		got = append(got, r)
	}
	require.Equal(t, []host.Record{
		{Kind: host.RecordRenew, Epoch: 3, Echo: 1042, Duration: 600 * drivers.Millisecond},
		{Kind: host.RecordHalt, Epoch: 4},
	}, got)
}
