package store

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
)

// First checks add up, survive, know which file they were made with, and are in
// the audit trail; a file that never had one is read as it is.
func TestChecks(t *testing.T) {
	path := tempPath(t)
	s := openStore(t, path, small())
	mod := Module{Serial: "KW-01", Source: "module: KW-01\n", Registered: 7, Who: "test engineer"}
	require.NoError(t, s.PutModule(mod))
	list, err := s.Checks("KW-01")
	require.NoError(t, err)
	require.Empty(t, list)

	first := Check{At: 10, Who: "technician", Method: "hand", Grade: "stop", Input: "total 71.5 V", Findings: json.RawMessage(`[{"kind":"group_reversed"}]`)}
	second := Check{At: 20, Who: "technician", Method: "hand", Grade: "good", Input: "total 78.0 V", Findings: json.RawMessage(`[]`), Run: "r000001"}
	require.NoError(t, s.PutCheck("KW-01", first))
	mod.Source += "# amended\n"
	mod.Digest = ""
	require.NoError(t, s.AmendModule(mod))
	require.NoError(t, s.PutCheck("KW-01", second))
	require.ErrorIs(t, s.PutCheck("KW-02", first), ErrNotFound)
	require.ErrorIs(t, s.PutCheck("KW-01", Check{Method: "hand", Grade: "good"}), ErrBadValue)
	require.NoError(t, s.Close())

	s = openStore(t, path, Options{ReadOnly: true})
	list, err = s.Checks("KW-01")
	require.NoError(t, err)
	require.Len(t, list, 2)
	require.Equal(t, []drivers.Instant{10, 20}, []drivers.Instant{list[0].At, list[1].At})
	require.NotEqual(t, list[0].Digest, list[1].Digest)
	now, err := s.Module("KW-01")
	require.NoError(t, err)
	require.Equal(t, now.Digest, list[1].Digest)
	var told []string
	require.NoError(t, s.Audit(func(a Audit) error {
		if a.What == "check" {
			told = append(told, a.Run+"|"+a.Text)
		}
		return nil
	}))
	require.Equal(t, []string{"|module KW-01, hand: stop", "r000001|module KW-01, hand: good"}, told)
	require.NoError(t, s.view(func(tx *bolt.Tx) error { require.NotNil(t, tx.Bucket(checkBucket)); return nil }))
}
