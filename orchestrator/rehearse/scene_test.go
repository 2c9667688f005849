package rehearse

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Every state is entered: something that goes wrong there strikes while the run
// is in it, and nothing breaks.
func TestScenes(t *testing.T) {
	twin := quick(t)
	scenes, err := twin.scenes()
	require.NoError(t, err)
	ends := map[string]machine.Outcome{}
	for _, s := range scenes {
		ends[s.Name] = s.base
		assert.Positive(t, s.At+1, s.Name)
	}
	assert.Equal(t, map[string]machine.Outcome{
		"arming": "done", "precharge": "done", "closed": "done", "charge": "done", "settle": "done", "bleed": "done", "discharge": "done",
		"pausing": "done", "paused": "done", "resuming": "done", "asking": "done", "watching": "done",
		"stopping": "stopped", "tripping": "tripped", "latched": "tripped",
	}, ends)
	rows := others()
	for _, b := range rows {
		if b.name != "process killed, started again after 2 s" && b.name != "store failing" {
			continue
		}
		for i := range scenes {
			if testing.Short() && i%4 != 0 {
				continue
			}
			c, err := twin.strike(&b, &scenes[i])
			require.NoError(t, err, "%s in %s", b.name, scenes[i].Name)
			assert.Empty(t, c.Violations, "%s in %s", b.name, scenes[i].Name)
			if b.class == "process" && scenes[i].Name != "watching" && scenes[i].Name != "latched" {
				assert.Equal(t, machine.OutcomeInterrupted, c.Outcome, "%s in %s", b.name, scenes[i].Name)
			}
		}
	}
}
