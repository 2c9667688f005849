package rehearse

import (
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// note finds the states of a run without faults by what was recorded: a state
// is entered with its first command.
func (h *Healthy) note(at drivers.Instant, line string) {
	name := ""
	switch {
	case strings.HasPrefix(line, "record "):
		if a, err := machine.ParseAction(line); err == nil {
			if r := a.(machine.Record); r.Kind == machine.RecordStart {
				name = "arming"
			}
		}
	case strings.HasPrefix(line, "switch "):
		a, err := machine.ParseAction(line)
		if err != nil {
			return
		}
		switch closed := a.(machine.SwitchTo).Closed; {
		case closed&drivers.BoxPrecharge != 0:
			name = "precharge"
		case closed != 0 && h.has("precharge"):
			name = "closed"
		}
	case strings.HasPrefix(line, "set "):
		a, err := machine.ParseAction(line)
		if err != nil {
			return
		}
		name = "charge"
		if a.(machine.Set).Direction == machine.Discharging {
			name = "discharge"
		}
	case strings.HasPrefix(line, "bleed "):
		if strings.Contains(line, "words=") {
			name = "bleed"
		}
	case strings.HasPrefix(line, "compute "):
		name = "settle"
	}
	if name != "" && !h.has(name) {
		h.States = append(h.States, State{name, at.Sub(began)})
	}
}

func (h *Healthy) has(name string) bool {
	return slices.ContainsFunc(h.States, func(s State) bool { return s.Name == name })
}
