package record

import (
	"fmt"
	"slices"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Journal collects what happened in a run beside its frames.
type Journal struct {
	from  drivers.Instant
	items []journalItem
}

type journalItem struct {
	at   drivers.Instant
	what string
	note bool // may be left out where there is no room
}

// NewJournal returns the journal of a run that began at from.
func NewJournal(from drivers.Instant) *Journal { return &Journal{from: from} }

// itemsMax bounds a journal's memory; notes beyond it are only counted.
const itemsMax = 4096

// Record takes one record of the run.
func (j *Journal) Record(at drivers.Instant, r machine.Record) {
	what, note := "", false
	switch r.Kind {
	case machine.RecordNote:
		what, note = r.Text, true
	case machine.RecordPause:
		what = "Paused: " + r.Text
	case machine.RecordResume:
		what = "Resumed: " + r.Text
	case machine.RecordTrip:
		what = "TRIPPED: " + r.Text
	case machine.RecordClear:
		what = fmt.Sprintf("Current measured zero %v after the breaching frame", r.Span)
	case machine.RecordAck:
		what = "Acknowledged: " + r.Text
	case machine.RecordAlarm:
		what = "ALARM: " + r.Text
	default:
		return
	}
	if len(j.items) < itemsMax || !note {
		j.items = append(j.items, journalItem{at, what, note})
	}
}

// Room on paper: rows of a table of steps, and of events.
const (
	stepsMost  = 70
	eventsMost = 50
)

// happened are the rows of both tables, and how many were left out. Contactor
// steps that did what they should, and then notes, go first; a trip never does.
func (s *Source) happened() (steps []Step, events []Event, left int) {
	for i := range s.Figures.Steps {
		st := &s.Figures.Steps[i]
		if (st.Kind == "close" || st.Kind == "open") && st.Reason == "" {
			continue
		}
		if len(steps) == stepsMost {
			left++
			continue
		}
		ended := st.End
		if st.Reason != "" {
			ended += " (unproven: " + st.Reason + ")"
		}
		label := st.Label
		if st.Pass > 1 {
			label += fmt.Sprintf(", pass %d", st.Pass)
		}
		steps = append(steps, Step{
			At: hours(begin(st).Sub(s.From)), Label: label, Took: hours(drivers.Span(st.Seconds * 1e6)),
			Charge: signs(fmt.Sprintf("%+.3f", st.Charge)), Energy: signs(fmt.Sprintf("%+.1f", st.Energy)), End: ended,
		})
	}
	if s.Journal == nil {
		return steps, nil, left
	}
	items := slices.Clone(s.Journal.items)
	for i := len(items) - 1; i >= 0 && len(items) > eventsMost; i-- {
		if items[i].note {
			items = slices.Delete(items, i, i+1)
			left++
		}
	}
	for _, it := range items {
		events = append(events, Event{hours(it.at.Sub(s.Journal.from)), it.what})
	}
	return steps, events, left
}

// hours is a length of time as hours:minutes:seconds.
func hours(d drivers.Span) string {
	t := time.Duration(d) * time.Microsecond
	t = t.Round(time.Second)
	return fmt.Sprintf("%d:%02d:%02d", int(t.Hours()), int(t.Minutes())%60, int(t.Seconds())%60)
}
