package service

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// The entry about a judgement is read whatever the verdict's words, and with or
// without the digest that earlier versions did not keep.
func TestJudgementInTheAuditTrail(t *testing.T) {
	data, figures := strings.Repeat("ab", 32), strings.Repeat("cd", 32)
	for text, want := range map[string]Audited{
		"pass " + data: {Judged: 7, Verdict: "pass", Digest: data},
		"conditional pass " + data + " " + figures: {Judged: 7, Verdict: "conditional pass", Digest: data, Sum: figures},
		"unproven": {Judged: 7, Verdict: "unproven"},
	} {
		var got Audited
		got.judged(&store.Audit{Number: 7, Text: text})
		assert.Equal(t, want, got, text)
	}
}

func TestTextsFit(t *testing.T) {
	sum := func(s string) string {
		d := sha256.Sum256([]byte(s))
		return hex.EncodeToString(d[:])
	}
	s := &rigwardenv1.ChainStart{
		Run: "r000001", Plan: []byte("plan"), Layout: []byte("layout"), Criteria: []byte("criteria"),
		PlanSha256: sum("plan"), LayoutSha256: sum("layout"), CriteriaSha256: sum("criteria"),
	}
	assert.Empty(t, textsFit(s))
	s.Criteria = []byte("weaker criteria")
	assert.Equal(t, "run r000001: its criteria is not the text of the stored digest "+sum("criteria")[:12], textsFit(s))
}
