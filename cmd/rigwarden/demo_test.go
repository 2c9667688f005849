package main

import (
	"bytes"
	"context"
	"io"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// at calls then once the text has come by.
type at struct {
	bytes.Buffer
	text string
	then func()
}

func (w *at) Write(b []byte) (int, error) {
	n, err := w.Buffer.Write(b)
	if w.then != nil && bytes.Contains(w.Bytes(), []byte(w.text)) {
		w.then()
		w.then = nil
	}
	return n, err
}

// Ctrl-C in the demonstration stops the run, safe and recorded, and the record
// is whole.
func TestInterruptedDemoStopsSafeAndRecorded(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	a := newApp(rigTime)
	out := &at{text: "note: closed: precharge", then: cancel}
	a.out, a.err = out, io.Discard
	path := filepath.Join(t.TempDir(), "demo.db")
	root := a.root()
	root.SetArgs([]string{"demo", "--store", path})
	err := root.ExecuteContext(ctx)
	assert.Equal(t, exitNotPassed, exitOf(err), "%v", err)
	assert.Contains(t, out.String(), "verdict: UNPROVEN")

	st, err := store.Open(path, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer st.Close()
	require.NoError(t, st.Check())
	run, err := st.Run("r000001")
	require.NoError(t, err)
	assert.Equal(t, machine.OutcomeStopped, run.Outcome)
	assert.Positive(t, run.Frames)
	_, latched, err := st.Latch(run.Bench)
	require.NoError(t, err)
	assert.False(t, latched, "a stop is no trip")
	var last string
	require.NoError(t, st.Events(run.ID, 0, func(e store.Event) error { last = e.Line; return nil }))
	act, err := machine.ParseAction(last)
	require.NoError(t, err, last)
	assert.Equal(t, machine.OutcomeStopped, act.(machine.Finish).Outcome)
}
