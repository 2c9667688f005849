package main

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/notice"
)

func TestNoticeOf(t *testing.T) {
	for _, c := range []struct {
		severity machine.Severity
		text     string
		what     notice.What
	}{
		{machine.SeverityAlarm, "TRIP cell over-voltage", notice.Trip},
		{machine.SeverityAlarm, "contactors were opened under current", notice.Alarm},
		{machine.SeverityAsk, "connect KW-07", notice.Ask},
		{machine.SeverityInfo, "paused", ""},
	} {
		what, known := noticeOf(machine.Notify{Severity: c.severity, Text: c.text})
		assert.Equal(t, c.what, what, c.text)
		assert.Equal(t, c.what != "", known, c.text)
	}
}

// Without a notices file nobody is told, and the screen is as before.
func TestTellerWithoutFile(t *testing.T) {
	var out bytes.Buffer
	a := newApp(func() time.Time { return rigTime() })
	a.out, a.err = &out, &out
	tell, err := a.newTeller(nil, "")
	require.NoError(t, err)
	tell.alert(bench.Alert{Bench: "quay-1", Notify: machine.Notify{Severity: machine.SeverityAlarm, Text: "TRIP over"}})
	tell.ended("r000001")
	tell.close()
	assert.Equal(t, "quay-1: alarm: TRIP over\n", out.String())
}
