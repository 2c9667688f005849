package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/profiles"
)

// ownMaps is the practice bench with a signal map and a DBC file beside it.
func ownMaps(t *testing.T) (bench, dbc string) {
	t.Helper()
	dir := t.TempDir()
	put := func(name string, text []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, text, 0o600))
		return path
	}
	text, err := profiles.LibraryBench(practiceBench)
	require.NoError(t, err)
	text = bytes.Replace(text, []byte("signals: common-monitor"), []byte("signals: ./signals.yaml"), 1)
	bench = put("bench.yaml", text)
	signals, ok := canbus.Shipped("common-monitor")
	require.True(t, ok)
	put("signals.yaml", signals)
	f, err := readBench(bench)
	require.NoError(t, err)
	return bench, put("common-monitor.dbc", []byte(canbus.CommonDBC(f.Monitor.Cells, f.Monitor.Temps)))
}

// What a reading means stands in the DBC file as much as in the signal map: a
// record that pins one pins the other.
func TestMapDigestsCoverTheDBC(t *testing.T) {
	bench, dbc := ownMaps(t)
	f, err := readBench(bench)
	require.NoError(t, err)
	require.NoError(t, f.problems())
	before := f.maps()
	require.Len(t, before, 5)
	assert.Equal(t, before, f.maps())

	text, err := os.ReadFile(dbc)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(dbc, append(text, '\n'), 0o600))
	after := f.maps()
	assert.NotEqual(t, before["monitor"], after["monitor"])
	delete(before, "monitor")
	delete(after, "monitor")
	assert.Equal(t, before, after)
}

// A host that is started again must hold the bench that plans and printed times
// were made of, not what its file says by then.
func TestHostRefusesAChangedBench(t *testing.T) {
	bench, dbc := ownMaps(t)
	f, err := readBench(bench)
	require.NoError(t, err)
	was := f.fingerprint()
	refused := func() {
		t.Helper()
		h, err := new(app).hold(t.Context(), bench, "", was)
		require.Nil(t, h)
		require.ErrorContains(t, err, "is not what the orchestrator read when it started")
	}
	text, err := os.ReadFile(dbc)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(dbc, append(text, '\n'), 0o600))
	refused()
	require.NoError(t, os.WriteFile(dbc, text, 0o600))
	again, err := readBench(bench)
	require.NoError(t, err)
	require.Equal(t, was, again.fingerprint())
	require.NoError(t, os.WriteFile(bench, append(f.text, '\n'), 0o600))
	refused()
}
