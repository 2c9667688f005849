package proof

import (
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/guard"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Verdict is what a proof has come to.
type Verdict string

// Verdicts.
const (
	Pass     Verdict = "pass"     // every row of the profile was proved
	Fail     Verdict = "fail"     // a row failed, or something else tripped
	Unproven Verdict = "unproven" // rows are missing, or there are none
)

// Report is a proof of protections on one page.
type Report struct {
	Run          string `json:"run"`
	Bench        string `json:"bench"`
	Module       string `json:"module"`
	Profile      string `json:"profile"`
	BenchDigest  string `json:"bench_sha256"`
	ModuleDigest string `json:"module_sha256"`
	PlanDigest   string `json:"plan_sha256"`
	// Maps are the digests of what the instruments' dialects and maps said, by role.
	Maps map[string]string `json:"maps_sha256"`
	At   drivers.Instant   `json:"at_us"`
	Who  string            `json:"who"`
	// Simulated says that nothing of it belongs to a real bench.
	Simulated bool     `json:"simulated"`
	Verdict   Verdict  `json:"verdict"`
	Why       []string `json:"why"`
	Rows      []Row    `json:"rows"`
	// Missing are protections that no row of the profile was for, Untouched links
	// that no proved row has exercised.
	Missing   []machine.Protection `json:"missing"`
	Untouched []string             `json:"links_untouched"`
}

// Row is one protection's proof. Times are from the first reading beyond the
// limit, or from when data or lease were held back; -1: not seen.
type Row struct {
	Protection machine.Protection `json:"protection"`
	Label      string             `json:"step"`
	Verdict    Verdict            `json:"verdict"`
	// What tells in a sentence what tripped; Why what went wrong.
	What      string       `json:"what"`
	Why       string       `json:"why,omitempty"`
	Channel   string       `json:"channel,omitempty"`
	Value     int64        `json:"value"`
	Limit     int64        `json:"limit"`
	ToOff     drivers.Span `json:"to_off_us"`
	ToZero    drivers.Span `json:"to_zero_us"`
	ToOpen    drivers.Span `json:"to_open_us"`
	Off       drivers.Span `json:"off_allowed_us"`
	Zero      drivers.Span `json:"zero_allowed_us"`
	Open      drivers.Span `json:"open_allowed_us"`
	Links     []string     `json:"links"`
	Untouched []string     `json:"links_untouched"`
	// ZeroBy and OpenBy are the channels, other than the commanded ones, on which
	// it was seen.
	ZeroBy string `json:"zero_by,omitempty"`
	OpenBy string `json:"open_by,omitempty"`
}

// Run is what is known of a run beside its plan and lines.
type Run struct {
	ID, Bench, Module, Profile, PlanDigest, Who string

	Start drivers.Instant
	// Outcome is empty while the run goes on.
	Outcome machine.Outcome
	Reason  string
	// Virtual says that it ran in virtual time, where there is no host.
	Virtual bool
}

// Reader collects a proof from a run's lines.
type Reader struct {
	plan *machine.Plan
	rows []machine.Proof
	trip string
}

// MapsOf are the digests of what a bench's dialects and maps say, by role; roles that
// have none are left out.
func MapsOf(b *drivers.Bench) map[string]string {
	out := map[string]string{}
	for role, w := range b.Wires() {
		if w.MapDigest != "" {
			out[role] = w.MapDigest
		}
	}
	return out
}

// Plans says whether a plan proves anything.
func Plans(p *machine.Plan) bool { return len(expected(p)) > 0 }

// expected are the plan's instructions that are proofs.
func expected(p *machine.Plan) (out []*machine.Instruction) {
	for i := range p.Code {
		if d := p.Code[i].Drive; d != nil && d.Expect != nil {
			out = append(out, &p.Code[i])
		}
	}
	return out
}

// NewReader returns a reader for a run of the plan.
func NewReader(p *machine.Plan) *Reader { return &Reader{plan: p} }

// Line takes the run's next line; a line that cannot be read is not the proof's.
func (r *Reader) Line(line string) {
	proves := strings.HasPrefix(line, "proof ")
	if !proves && !strings.HasPrefix(line, "record ") {
		return
	}
	a, err := machine.ParseAction(line)
	if err != nil {
		return
	}
	switch a := a.(type) {
	case machine.Proof:
		r.rows = append(r.rows, a)
	case machine.Record:
		if a.Kind == machine.RecordTrip && r.trip == "" {
			r.trip = a.Text
		}
	}
}

// Report judges what was read.
func (r *Reader) Report(run Run) *Report {
	out := &Report{
		Run: run.ID, Bench: run.Bench, Module: run.Module, Profile: run.Profile, At: run.Start, Who: run.Who,
		BenchDigest: r.plan.BenchDigest, ModuleDigest: r.plan.ModuleDigest, PlanDigest: run.PlanDigest, Maps: MapsOf(&r.plan.Bench),
		Simulated: run.Virtual || r.plan.Bench.Simulated(), Verdict: Pass,
		Why: []string{}, Rows: []Row{}, Missing: []machine.Protection{}, Untouched: []string{},
	}
	var touched machine.Link
	planned := expected(r.plan)
	for _, ins := range planned {
		row := r.row(ins, run.Virtual, &touched)
		out.Rows = append(out.Rows, row)
		if row.Verdict != Pass {
			out.Why = append(out.Why, row.Label+": "+row.Why)
			out.worse(row.Verdict)
		}
	}
	for _, p := range machine.Protections {
		if !slices.ContainsFunc(planned, func(i *machine.Instruction) bool { return i.Drive.Expect.Protection == p }) {
			out.Missing = append(out.Missing, p)
		}
	}
	out.Untouched = names(all &^ touched)
	switch {
	case r.trip != "":
		out.Why = append(out.Why, "the run tripped: "+r.trip)
		out.worse(Fail)
	case len(planned) == 0:
		out.Why = append(out.Why, "the profile proves nothing")
		out.worse(Unproven)
	case run.Outcome != machine.OutcomeDone:
		out.Why = append(out.Why, strings.TrimSuffix(fmt.Sprintf("the run is not done: %s: %s", word(run.Outcome), run.Reason), ": "))
		out.worse(Unproven)
	case touched&machine.LinkContactor == 0:
		out.Why = append(out.Why, "no channel but the box's own feedback showed contactors open: the link keeps its charge too long to tell")
		out.worse(Unproven)
	}
	return out
}

func word(o machine.Outcome) string {
	if o == "" {
		return "it goes on"
	}
	return string(o)
}

func (r *Report) worse(v Verdict) {
	if v == Fail || r.Verdict == Pass {
		r.Verdict = v
	}
}

// row is what became of one planned proof: of its latest try, where a person
// paused the run within one.
func (r *Reader) row(ins *machine.Instruction, virtual bool, touched *machine.Link) Row {
	e := ins.Drive.Expect
	label := r.plan.Steps[ins.Step].Label
	out := Row{
		Protection: e.Protection, Label: label, Verdict: Unproven, Why: "it was not carried out",
		ToOff: -1, ToZero: -1, ToOpen: -1, Off: e.Off, Zero: e.Zero, Open: e.Open, Links: []string{}, Untouched: names(all),
	}
	for _, p := range r.rows {
		if p.Label != label || p.Protection != e.Protection {
			continue
		}
		if out.Verdict == Fail {
			break // what failed once has failed
		}
		links := p.Links
		if p.Passed && !virtual {
			links |= machine.LinkHost
		}
		*touched |= links
		out.Verdict, out.Why = Fail, p.Text
		if p.Passed {
			out.Verdict = Pass
		}
		out.ToOff, out.ToZero, out.ToOpen = p.ToOff, p.ToZero, p.ToOpen
		out.Links, out.Untouched, out.ZeroBy, out.OpenBy = names(links), names(all&^links), p.ZeroBy, p.OpenBy
		out.Value, out.Limit = p.Finding.Value, p.Limit
		if p.Protection == machine.ProveDischargeHigh {
			out.Limit = -p.Limit // as the reading, out of the article
		}
		if f := p.Finding; f.Cause != guard.CauseNone {
			out.What = guard.Describe(f, &r.plan.Layout)
			if f.Channel >= 0 && f.Channel < len(r.plan.Layout.Channels) {
				out.Channel = r.plan.Layout.Channels[f.Channel].Name()
			}
		}
	}
	return out
}

var linkNames = []struct {
	link machine.Link
	name string
}{
	{machine.LinkSensor, "sensor"}, {machine.LinkMonitor, "monitor"}, {machine.LinkGuard, "guard"},
	{machine.LinkHost, "host"}, {machine.LinkInstrument, "instrument"}, {machine.LinkContactor, "contactor"},
}

const all = machine.LinkSensor | machine.LinkMonitor | machine.LinkGuard | machine.LinkHost | machine.LinkInstrument | machine.LinkContactor

func names(l machine.Link) []string {
	out := []string{}
	for _, x := range linkNames {
		if l&x.link != 0 {
			out = append(out, x.name)
		}
	}
	return out
}
