package service

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"

	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// A reason is given for the run that latched the bench, and in words (INV-05):
// a mistyped number or blanks clear nothing.
func TestAcknowledgeTheRunThatLatched(t *testing.T) {
	r := newRig(t)
	started, _ := r.start(t)
	require.NoError(t, r.store.SetLatch(store.Latch{Bench: DefaultBench, Run: "r000009", Reason: "cell 07 over its limit", At: 5}))
	ask := func(reason string) error {
		_, err := r.runs.Command(within(t), &rigwardenv1.CommandRunRequest{
			Run: started.GetId(), Verb: rigwardenv1.Verb_VERB_ACKNOWLEDGE, Who: "test engineer", Reason: reason,
		})
		return err
	}
	e := wantKind(t, ask("looked at it"), KindRefused)
	assert.Contains(t, e.Error(), "latched by run r000009, not by "+started.GetId())
	wantKind(t, ask(" \t"), KindInvalid)
	_, found, err := r.store.Latch(DefaultBench)
	require.NoError(t, err)
	assert.True(t, found, "the latch holds")
}
