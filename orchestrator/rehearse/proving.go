package rehearse

import (
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// expectedTrip begins the note of a trip that a proof expects.
const expectedTrip = "trip expected by the proof of "

// proves looks at the lines of a proof. A trip that is expected is held to what
// any other is: halts before anything is written, open contactors, halts again
// while current flows, and nothing energised before it is over (INV-03, INV-04,
// INV-05). It is over where the row has passed; one that has failed is recorded as
// a trip like any other.
func (w *witness) proves(a machine.Action) {
	switch a := a.(type) {
	case machine.Record:
		if a.Kind != machine.RecordNote || !strings.HasPrefix(a.Text, expectedTrip) {
			return
		}
		w.tripped, w.stand.trippedAt, w.stand.answered = true, w.rig.Now(), false
		for _, o := range w.last {
			if o.at != 0 && (!o.halt || o.at > w.rig.Now()) {
				w.violate(3, "an expected trip was noted before supply and load were told to go off")
			}
		}
	case machine.Proof:
		// One that a person stopped, with no current and open contactors, proves
		// nothing and latches nothing.
		if a.Passed || strings.HasPrefix(a.Text, "stopped ") {
			w.clear(w.rig.Now())
			w.tripped = false
		}
	}
}
