package bench

import (
	"fmt"
	"iter"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// StoredLine is a line of a run's journal with its place in the sequence.
type StoredLine struct {
	Seq  uint64
	At   drivers.Instant
	Line string
}

// Difference is one input to which the machine answers otherwise today than it
// did when the run was recorded.
type Difference struct {
	Seq  uint64          `json:"seq"`
	At   drivers.Instant `json:"at_us"`
	Then []string        `json:"then"`
	Now  []string        `json:"now"`
}

// Report is the result of a replay.
type Report struct {
	Frames  int `json:"frames"`
	Events  int `json:"events"`
	Actions int `json:"actions"`
	// Differences are the first of them; Differing counts all.
	Differing   int          `json:"differing"`
	Differences []Difference `json:"differences,omitempty"`
	// Open says that the record breaks off, as after a killed daemon.
	Open bool `json:"open"`
}

// differencesMax bounds how many differences a report keeps.
const differencesMax = 100

// Replay feeds a run's stored inputs through the machine and compares what it
// would do with what it did. It uses the stored plan, never today's files. A
// newer machine may differ without the record being wrong: the differences are
// listed, not judged.
func Replay(plan *machine.Plan, lines iter.Seq2[StoredLine, error], frames iter.Seq2[*drivers.Frame, error]) (*Report, error) {
	nextLine, stopLines := iter.Pull2(lines)
	defer stopLines()
	nextFrame, stopFrames := iter.Pull2(frames)
	defer stopFrames()

	p := &replay{m: machine.New(), report: &Report{Open: true}}
	if err := p.m.Load(plan); err != nil {
		return nil, err
	}
	line, err, moreLines := nextLine()
	frame, ferr, moreFrames := nextFrame()
	for moreLines || moreFrames {
		if err != nil {
			return p.report, err
		}
		if ferr != nil {
			return p.report, ferr
		}
		seq := line.Seq
		if !moreLines || moreFrames && frame.Seq <= seq {
			seq = frame.Seq
		}
		var got []string
		at := line.At
		if moreFrames && frame.Seq == seq {
			at = frame.At
			got = p.frame(frame)
			frame, ferr, moreFrames = nextFrame()
		}
		var then []string
		for moreLines && err == nil && line.Seq == seq {
			if e, perr := machine.ParseEvent(line.Line); perr == nil {
				got = p.event(e)
			} else if _, perr := machine.ParseAction(line.Line); perr == nil {
				then = append(then, line.Line)
			} else {
				return p.report, fmt.Errorf("sequence %d: %w", seq, perr)
			}
			line, err, moreLines = nextLine()
		}
		p.compare(seq, at, then, got)
	}
	return p.report, nil
}

type replay struct {
	m      *machine.Machine
	report *Report
}

func (p *replay) frame(f *drivers.Frame) []string {
	p.report.Frames++
	return p.text(p.m.StepFrame(f.At, f))
}

func (p *replay) event(e machine.Event) []string {
	p.report.Events++
	return p.text(p.m.Step(e))
}

func (p *replay) text(actions []machine.Action) []string {
	if len(actions) == 0 {
		return nil
	}
	out := make([]string, len(actions))
	for i, a := range actions {
		out[i] = a.String()
		if _, ok := a.(machine.Finish); ok {
			p.report.Open = false
		}
	}
	return out
}

// compare looks at one input's answers. After the run's end nothing more is
// recorded, so the last input's trailing answers may be missing.
func (p *replay) compare(seq uint64, at drivers.Instant, then, now []string) {
	p.report.Actions += len(now)
	// A line that was made durable ahead of the others may stand elsewhere among
	// the answers to one input; which ones there are is what counts.
	a, b := slices.Clone(then), slices.Clone(now)
	slices.Sort(a)
	slices.Sort(b)
	if slices.Equal(a, b) {
		return
	}
	p.report.Differing++
	if len(p.report.Differences) < differencesMax {
		p.report.Differences = append(p.report.Differences, Difference{Seq: seq, At: at, Then: then, Now: now})
	}
}
