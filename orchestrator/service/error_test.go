package service

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// allKinds is every kind; a new one that is left out of codeOf fails below.
var allKinds = []Kind{
	KindInvalid, KindNotFound, KindBusy, KindLatched, KindNotRunning, KindRefused, KindReadOnly, KindLocked,
	KindUnreadable, KindNewer, KindFull, KindTooLarge, KindUnreachable, KindCanceled, KindInternal,
}

func TestErrorCrossesTheWireWhole(t *testing.T) {
	require.Len(t, codeOf, len(allKinds))
	for _, k := range allKinds {
		sent := &Error{
			Kind: k, What: "bench dock is busy", Where: "run r000003 is running", Want: "stop it: rigwarden run stop r000003",
			Problems: []Problem{{File: "mine.yaml", Line: 12, Column: 7, What: `unknown key "curent"`, Want: `"current"`}, {What: "whole file"}},
		}
		st := ToStatus(sent)
		s, ok := status.FromError(st)
		require.True(t, ok)
		assert.Equal(t, codeOf[k], s.Code(), k)
		assert.NotEqual(t, codes.OK, s.Code())
		got := FromStatus(st)
		assert.Equal(t, sent.Kind, got.Kind)
		assert.Equal(t, sent.Error(), got.Error())
		assert.Equal(t, sent.Problems, got.Problems)
	}
}

func TestErrorReadsWhatWhereWant(t *testing.T) {
	assert.Equal(t, "no run \"r9\"; rigwarden run list tells the runs", (&Error{What: `no run "r9"`, Want: "rigwarden run list tells the runs"}).Error())
	assert.Equal(t, `mine.yaml:12:7: unknown key "curent"; "current"`, Problem{File: "mine.yaml", Line: 12, Column: 7, What: `unknown key "curent"`, Want: `"current"`}.String())
}

func TestSentinelsHaveTheirKind(t *testing.T) {
	for _, c := range []struct {
		err  error
		kind Kind
	}{
		{bench.ErrBusy, KindBusy}, {bench.ErrLatched, KindLatched}, {store.ErrLatched, KindLatched},
		{bench.ErrNotRunning, KindNotRunning}, {bench.ErrNoReason, KindInvalid}, {bench.ErrClosed, KindUnreachable},
		{store.ErrHeld, KindLocked}, {store.ErrSchema, KindNewer}, {store.ErrForeign, KindUnreadable},
		{store.ErrDamaged, KindUnreadable}, {store.ErrFull, KindFull}, {store.ErrNotFound, KindNotFound},
		{fs.ErrNotExist, KindUnreadable}, {context.Canceled, KindCanceled}, {errors.New("odd"), KindInternal},
	} {
		wrapped := fmt.Errorf("somewhere: %w", c.err)
		got := FromStatus(ToStatus(wrapped))
		assert.Equal(t, c.kind, got.Kind, c.err.Error())
		assert.Contains(t, got.Error(), "somewhere: "+c.err.Error())
	}
}

func TestTransportErrorsGetAKind(t *testing.T) {
	assert.Equal(t, KindUnreachable, FromStatus(status.Error(codes.Unavailable, "connection refused")).Kind)
	assert.Equal(t, KindTooLarge, FromStatus(status.Error(codes.ResourceExhausted, "message larger than max")).Kind)
	assert.Equal(t, KindInternal, FromStatus(status.Error(codes.Unknown, "?")).Kind)
	assert.Nil(t, FromStatus(nil))
	require.NoError(t, ToStatus(nil))
}
