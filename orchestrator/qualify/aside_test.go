package qualify

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// What did not end well says what to do with the module; what did, or what a
// person stopped, says nothing.
func TestSetAside(t *testing.T) {
	for _, c := range []struct {
		outcome machine.Outcome
		verdict Decision
		want    string
	}{
		{machine.OutcomeDone, Fail, "Module KW-05 failed: quarantine it."},
		{machine.OutcomeTripped, "", "Until the cause of the trip is known to lie outside module KW-05, treat it as damaged: quarantine it."},
		{machine.OutcomeTripped, NotProven, "Until the cause of the trip"},
		{machine.OutcomeTripped, Fail, "Module KW-05 failed"},
		{machine.OutcomeFailed, NotProven, "Set module KW-05 aside"},
		{machine.OutcomeDone, ConditionalFail, "Set module KW-05 aside"},
		{machine.OutcomeDone, Pass, ""}, {machine.OutcomeDone, ConditionalPass, ""}, {machine.OutcomeDone, NotProven, ""},
		{machine.OutcomeStopped, "", ""}, {machine.OutcomeRefused, "", ""}, {machine.OutcomeInterrupted, "", ""},
	} {
		got := SetAside("KW-05", c.outcome, c.verdict)
		if c.want == "" {
			assert.Empty(t, got, c)
			continue
		}
		assert.Contains(t, got, c.want, c)
		assert.Contains(t, got, "charged and live", c) // wherever a module is carried away
	}
}
