package qualify

import (
	"fmt"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// quarantineWords is what to do with a module that may be damaged. Common practice
// of workshops and of the transport of dangerous goods, from memory, no source;
// local law and the cell maker's sheet come first.
const quarantineWords = `It stays charged and live. Leave the contactors open and charge or discharge it no more, not to storage level either.
Watch its temperatures and voltages where it stands until they are steady for an hour; where it warms, swells, hisses or smells: leave, close the door, call the fire brigade.
Then, with insulated tools and covered terminals, bring it to a place of its own: outdoors or fire-resistant, dry, away from other modules, people and ways out.
Mark it with its serial, the date, the run and DO NOT CHARGE; tell whoever keeps the register. Look at it again after a day and after a week.
It goes to nobody as a sound battery: damaged lithium batteries travel under rules of their own (ADR special provision 376).`

// SetAside is what to do with a module after a run that did not end well, in
// words, or nothing: by how the run ended and what the judge found.
func SetAside(module string, outcome machine.Outcome, verdict Decision) string {
	switch {
	case verdict == Fail:
		return fmt.Sprintf("Module %s failed: quarantine it.\n%s", module, quarantineWords)
	case outcome == machine.OutcomeTripped:
		return fmt.Sprintf("Until the cause of the trip is known to lie outside module %s, treat it as damaged: quarantine it.\n%s", module, quarantineWords)
	case outcome == machine.OutcomeFailed, verdict == ConditionalFail:
		return fmt.Sprintf("Set module %s aside, contactors open, marked with its serial and the run, and let nobody build it in before somebody has decided. It stays charged and live.", module)
	}
	return ""
}
