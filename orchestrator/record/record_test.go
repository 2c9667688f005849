package record

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/profiles"
)

const start drivers.Instant = 1_791_786_600_000_000 // 2026-10-12 06:30 UTC

// build is a plan as far as a record shows it, for the shipped module KW-01.
func build(t *testing.T) (*machine.Plan, *profiles.Module) {
	t.Helper()
	text, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	mod, ps := profiles.ParseModule("KW-01.yaml", text)
	require.Empty(t, ps)
	plan := &machine.Plan{Module: "KW-01", Profile: "qualify", ModuleDigest: mod.Digest, Rated: mod.Rated}
	plan.Bench = drivers.Bench{Name: "bench", Monitor: drivers.MonitorSpec{
		Cells: 24, Temps: 6, Period: 100 * drivers.Millisecond, CellStep: 100, TempStep: 100, CurrentStep: 1000, CurrentRange: 100_000_000,
		CellAccuracy: drivers.Accuracy{Offset: 500}, CurrentAcc: drivers.Accuracy{GainPPM: 1000, Offset: 20_000},
		Wire: drivers.Wire{Driver: "canbus", Expect: drivers.Identity{Maker: "Maker", Model: "M24", Serial: "77"}},
	}, Meter: drivers.MeterSpec{VoltageStep: 1000, VoltageAcc: drivers.Accuracy{GainPPM: 50, Offset: 2000}, Wire: drivers.Wire{Driver: "scpi"}},
		Supply: drivers.PowerSpec{Wire: drivers.Wire{Driver: "scpi"}, VoltageStep: 10_000, CurrentStep: 10_000, VoltageMax: 100_000_000, CurrentMax: 60_000_000},
		Load:   drivers.PowerSpec{Wire: drivers.Wire{Driver: "scpi"}, VoltageStep: 10_000, CurrentStep: 10_000},
		Box:    drivers.BoxSpec{Wire: drivers.Wire{Driver: "modbus"}, LinkStep: 10_000},
	}
	l, err := plan.Bench.Layout()
	require.NoError(t, err)
	plan.Layout = *l
	return plan, mod
}

// made is a whole record of invented readings: a charge, a rest, balancing, a
// rest, a discharge, a rest.
func made(t *testing.T) *Source {
	t.Helper()
	plan, mod := build(t)
	criteria, ps := profiles.ParseCriteria("c", []byte(`criteria: kw-acceptance
agreed: {on: 2026-09-14, by: test engineer}
rule: guard_band_conditional
require:
  - {figure: capacity, at_least: 39 Ah}
  - {figure: resistance_10s, at_most: 2.5 mOhm}
`))
	require.Empty(t, ps)
	f := &qualify.Figures{Module: "KW-01", Profile: "qualify", Figures: []qualify.Figure{
		{Name: qualify.Capacity, Value: 39.66, Unit: "Ah", U: 0.085, K: 2, Status: qualify.OK},
		{Name: qualify.SelfDischarge, Unit: "mA", NoValue: true, Status: qualify.Unproven, Reason: "no slope"},
	}}
	rng := rand.New(rand.NewPCG(5, 5))
	for c := range 24 {
		v := 1.34 + 0.02*rng.NormFloat64()
		if c == 8 {
			v = 1.8
		}
		f.Figures = append(f.Figures, qualify.Figure{Name: "resistance_10s", Cell: c + 1, Value: v, Unit: "mOhm", U: 0.009, K: 2, Status: qualify.OK})
	}
	f.Odd = []qualify.Odd{{Figure: "resistance", Cell: 9, Value: 1.8, Median: 1.34, Unit: "mOhm", Z: 20, Hint: "a joint"}}
	at := int64(start)
	add := func(label, kind, use, end string, seconds, ah, from, to float64) {
		f.Steps = append(f.Steps, qualify.Step{Label: label, Pass: 1, Kind: kind, Use: use, StartUS: at, Seconds: seconds, Charge: ah, StartVoltage: from, EndVoltage: to, End: end, Status: qualify.OK})
		at += int64(seconds * 1e6)
	}
	add("first charge", "charge", "", "taper current with cell 13 held", 4000, 24, 78, 85)
	add("rest", "rest", "", "time", 600, 0, 85, 84.9)
	add("bleed", "balance", "", "bled", 3900, 0, 84.9, 84.8)
	add("after balancing", "rest", "ocv", "time", 3600, 0, 84.8, 84.7)
	add("cycles/discharge", "discharge", "capacity", "cell 13 at its end voltage", 10_000, -27.9, 84.7, 65)
	add("last rest", "rest", "", "time", 1800, 0, 65, 66)
	limit := 2.5
	sight := &Sight{From: start, To: drivers.Instant(at), Steps: f.Steps, Limit: &limit, TempMax: 50}
	tr := sight.Tracer(&plan.Layout, plan.Bench.Monitor.Period)
	play(tr, &plan.Layout, start, drivers.Instant(at), drivers.Second)
	verdict := qualify.Judge(criteria, f)
	j := NewJournal(start)
	j.Record(start.Add(drivers.Hour), machine.Record{Kind: machine.RecordNote, Text: "imbalance 846 ppm"})
	j.Record(start.Add(2*drivers.Hour), machine.Record{Kind: machine.RecordPause, Text: "temperature_3 over 38 degC"})
	return &Source{
		Paper: "A4", Made: "made 2026-10-14 12:00 UTC", Plan: plan, Module: mod, Criteria: criteria, Figures: f, Verdict: verdict,
		Run: "r000001", Bench: "bench", Who: "engineer", From: start, To: drivers.Instant(at), Outcome: "done", Done: true,
		PlanDigest: strings.Repeat("ab", 32), Digest: strings.Repeat("cd", 32), Head: strings.Repeat("ef", 32),
		Journal: j, Plots: sight.Plots(tr, f), Runs: []Run{{ID: "r000001", Profile: "qualify", Started: "2026-10-12", Ended: "done", Verdict: "pass"}},
	}
}

// play makes frames: cells that differ a little and follow a slow wave.
func play(tr *Tracer, l *drivers.Layout, from, to drivers.Instant, every drivers.Span) {
	f := drivers.Frame{Counts: make([]int32, len(l.Channels))}
	for at := from; at <= to; at = at.Add(every) {
		f.At = at
		x := math.Sin(float64(at.Sub(from)) / 3e9)
		for i, c := range l.Channels {
			switch c.Kind {
			case drivers.CellVoltage:
				f.Counts[i] = int32(32_000 + 3000*x + 20*float64(c.Index))
			case drivers.Temperature:
				f.Counts[i] = int32((float64(drivers.ZeroC) + 24_000 + 1000*x + 100*float64(c.Index)) / 100)
			case drivers.ModuleCurrent:
				f.Counts[i] = int32(20_000 * x)
			}
		}
		tr.Frame(&f)
	}
}

func written(t *testing.T, r *Record) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, r.Write(&b))
	return b.String()
}

func TestRecordSaysWhatItMust(t *testing.T) {
	page := written(t, Compose(made(t)))
	for _, want := range []string{
		"KW-01", "24S2P", "LFP", "76.8 V nominal, 60 V to 87.6 V", "Rated 40 Ah, 3072 Wh", "Measured 39.660 Ah ± 0.085 Ah",
		"≥ 39", "≥ 39.085", "kw-acceptance", "agreed beforehand on 2026-09-14 by test engineer", "clause 4.2.3",
		"about 30 % at the end of the run", "UN 3480", "UN 3481", "UN 38.3 test summary", "check the editions in force",
		"Local law, codes and licensed practice", "Hazardous voltage", "Hazardous energy", "signature", "date and place",
		"Maker M24 no. 77", "± (0.1 % &#43; 20 mA)", strings.Repeat("cd", 32), strings.Repeat("ef", 32), strings.Repeat("ab", 32),
		"Paused: temperature_3 over 38 degC", "Clamping and swelling", "odd: 9", "Cells at rest, before and after balancing", "Relaxation.",
	} {
		assert.Contains(t, page, want)
	}
	assert.NotContains(t, page, "SIMULATED")
	assert.NotContains(t, page, "has not passed")
	assert.False(t, regexp.MustCompile(`/(home|tmp|root|work|usr)/`).MatchString(page), "a machine's path")
}

// A record of a module that did not pass says so on the first page and on top of
// every page, whatever the reason.
func TestRecordThatDidNotPassSaysSo(t *testing.T) {
	for name, x := range map[string]struct {
		change func(*Source)
		word   string
	}{
		"fail":             {func(s *Source) { s.Verdict.Decision = qualify.Fail }, "NOT PASSED: FAIL"},
		"unproven":         {func(s *Source) { s.Verdict.Decision = qualify.NotProven }, "NOT PASSED: UNPROVEN"},
		"conditional pass": {func(s *Source) { s.Verdict.Decision = qualify.ConditionalPass }, "CONDITIONAL PASS"},
		"never judged":     {func(s *Source) { s.Verdict = nil }, "NOT PASSED: UNPROVEN"},
		"tripped":          {func(s *Source) { s.Done, s.Outcome = false, "tripped" }, "NOT PASSED"},
		"changed data":     {func(s *Source) { s.Broken = []string{"the hash chain is broken"} }, "NOT VALID"},
		"a later trip":     {func(s *Source) { s.Later = []string{"A later run, r000002, was tripped"} }, "HELD BACK"},
	} {
		t.Run(name, func(t *testing.T) {
			s := made(t)
			x.change(s)
			r := Compose(s)
			assert.False(t, r.Head.Passed)
			assert.Equal(t, x.word, r.Head.Word)
			page := written(t, r)
			assert.Contains(t, page, "This module has not passed")
			assert.Contains(t, page, "<h2>Not released</h2>")
			head := regexp.MustCompile(`@top-right \{ content: "` + strings.ReplaceAll(x.word, ": ", `\S*\s+`))
			assert.True(t, head.MatchString(page), "not on top of every page")
			assert.NotContains(t, page, `<p class="word">PASS</p>`)
		})
	}
	s := made(t)
	s.Plan.Bench.Supply.Driver = profiles.DriverVirtual
	assert.Contains(t, written(t, Compose(s)), "SIMULATED, NO REAL MODULE")
}

// The run over real wires to virtual instruments looked like one of a real module:
// its plan, made from the practice bench's file, tells.
func TestRecordOverWiresToVirtualInstrumentsIsMarked(t *testing.T) {
	text, err := profiles.LibraryBench("practice-wires")
	require.NoError(t, err)
	b, ps := profiles.ParseBench("practice-wires.yaml", text)
	require.Empty(t, ps)
	assert.True(t, b.Simulated())
	// The file's word is enough, and so is the name of one who must answer.
	word := b.Bench
	for _, w := range word.Wires() {
		w.Expect = drivers.Identity{Maker: "Wharf Instruments"}
	}
	name := b.Bench
	name.BehindWires = false
	for _, bench := range []drivers.Bench{word, name} {
		s := made(t)
		s.Plan.Bench = bench
		page := written(t, Compose(s))
		assert.Contains(t, page, "SIMULATED, NO REAL MODULE")
		assert.Contains(t, page, `<p class="simulated"><b>SIMULATED</b>`)
	}
	word.BehindWires = false
	assert.False(t, word.Simulated())
}

// Nothing that a file or an instrument says becomes markup, script or style, and
// nothing is fetched.
func TestRecordIsSelfContainedAndEscapes(t *testing.T) {
	const evil = `</style><script>alert(1)</script><img src=x onerror=alert(2)>"; } body { display:none`
	s := made(t)
	s.Plan.Module, s.Who, s.Outcome, s.Bench = evil, evil, evil, evil
	s.Module.Title, s.Criteria.Name, s.Criteria.Agreed.By = evil, evil, evil
	s.Figures.Notes = []string{evil}
	s.Figures.Steps[0].Label = evil
	s.Figures.Figures[0].Detail = evil
	s.Plan.Bench.Monitor.Expect.Maker = evil
	s.Journal.Record(start, machine.Record{Kind: machine.RecordTrip, Text: evil})
	s.Plots[0].Title, s.Plots[0].Note = evil, evil
	s.Plots[0].Texts[0].S, s.Plots[0].About = evil, evil
	s.Made, s.Broken = evil, []string{evil}
	page := written(t, Compose(s))
	lower := strings.ToLower(page)
	// What stands in quotes is an attribute's value, as the template made it.
	markup := regexp.MustCompile(`"[^"]*"`).ReplaceAllString(lower, `""`)
	for _, no := range []string{`<script`, `<img`, `<iframe`, `<link`, `<object`, `@import`, `url\(`, `<[a-z]+[^>]*\s(src|href)=`, `<[a-z]+[^>]*\son[a-z]+=`} {
		if found := regexp.MustCompile(no).FindString(markup); found != "" {
			t.Errorf("%s in the page: %.80s", no, found)
		}
	}
	// The style sheet ends once.
	assert.Equal(t, 1, strings.Count(lower, "</style>"))
	assert.Contains(t, page, "TRIPPED: &lt;/style&gt;")
}

func TestPaper(t *testing.T) {
	s := made(t)
	for _, p := range Papers {
		s.Paper = p
		assert.Contains(t, written(t, Compose(s)), "size: "+p+" portrait")
	}
	s.Paper = "A3"
	require.EqualError(t, Compose(s).Write(&bytes.Buffer{}), `paper "A3"; A4 or Letter would be right`)
}

// One reading among a million stays visible: a peak is never averaged away.
func TestEnvelopeKeepsOneReading(t *testing.T) {
	plan, _ := build(t)
	to := start.Add(28 * drivers.Hour)
	tr := NewTracer(&plan.Layout, 100*drivers.Millisecond, start, to, [2]drivers.Instant{}, nil)
	f := drivers.Frame{Counts: make([]int32, len(plan.Layout.Channels))}
	n := 0
	for at := start; at < to; at = at.Add(100 * drivers.Millisecond) {
		for i := range f.Counts {
			f.Counts[i] = 33_000
		}
		if n == 617_293 {
			f.Counts[7], f.Counts[11] = 36_412, drivers.NoReading
		}
		f.At = at
		tr.Frame(&f)
		n++
	}
	assert.Equal(t, 1_008_000, n)
	_, hi := tr.whole.cells[7].bounds()
	assert.InDelta(t, 3.6412, hi, 1e-9)
	col := 617_293 * columnsMost / n
	assert.InDelta(t, 3.6412, tr.whole.cells[7].high[col], 1e-9)
	assert.InDelta(t, 3.3, tr.whole.cells[7].low[col], 1e-9)
	// The frame with a missing cell tells nothing of the spread (INV-02).
	_, most := tr.whole.apart.bounds()
	assert.Zero(t, most)
}

func TestGapStaysGap(t *testing.T) {
	plan, _ := build(t)
	to := start.Add(drivers.Hour)
	tr := NewTracer(&plan.Layout, 100*drivers.Millisecond, start, to, [2]drivers.Instant{}, nil)
	play(tr, &plan.Layout, start, start.Add(20*drivers.Minute), drivers.Second)
	play(tr, &plan.Layout, start.Add(40*drivers.Minute), to, drivers.Second)
	assert.True(t, math.IsNaN(tr.whole.current.low[columnsMost/2]), "nothing was read there")
	assert.Equal(t, 2, strings.Count(line(tr.whole.middles(), tr.whole.current.low), "M"), "two lines, not one across the gap")
}

func TestShortRunHasNoFalseGaps(t *testing.T) {
	plan, _ := build(t)
	to := start.Add(37 * drivers.Second)
	tr := NewTracer(&plan.Layout, 100*drivers.Millisecond, start, to, [2]drivers.Instant{}, nil)
	play(tr, &plan.Layout, start, to, 100*drivers.Millisecond)
	assert.Equal(t, 185, tr.whole.columns)
	assert.Equal(t, 1, strings.Count(line(tr.whole.middles(), tr.whole.current.low), "M"))
}

func TestStateOfCharge(t *testing.T) {
	s := made(t)
	got := StateOfCharge(s.Figures, 40)
	assert.True(t, got.Known)
	assert.True(t, got.Measured)
	assert.InDelta(t, -27.9, got.Counted, 1e-9)
	assert.InDelta(t, 1-27.9/39.66, got.Share, 1e-9)
	s.Figures.Steps = s.Figures.Steps[1:] // no full charge was seen
	assert.False(t, StateOfCharge(s.Figures, 40).Known)
	s = made(t)
	s.Figures.Steps[4].Charge = -60 // more than it can hold
	assert.False(t, StateOfCharge(s.Figures, 40).Known)
}

func TestDifferences(t *testing.T) {
	a, b := made(t), made(t)
	none, err := Differences(a.Figures, b.Figures, a.Verdict, b.Verdict)
	require.NoError(t, err)
	assert.Empty(t, none)

	b.Figures.Figures[0].Value = 39.61
	b.Figures.Figures[2].Value *= 1 + 1e-12 // another processor's rounding
	b.Figures.Figures[10].U = 0.02
	b.Figures.Steps[4].Charge = -28
	b.Figures.Figures = append(b.Figures.Figures, qualify.Figure{Name: "energy", Unit: "Wh", Value: 3040, Status: qualify.OK})
	b.Verdict.Decision = qualify.Fail
	got, err := Differences(a.Figures, b.Figures, a.Verdict, b.Verdict)
	require.NoError(t, err)
	var lines []string
	for _, d := range got {
		lines = append(lines, d.String())
	}
	assert.Equal(t, []string{
		"verdict, decision: stored pass, from the data fail",
		"capacity: stored 39.66 Ah, from the data 39.61 Ah, differs by -0.05 Ah",
		"resistance_10s of cell 9, U: stored 0.009 mOhm, from the data 0.02 mOhm, differs by +0.011 mOhm",
		"step 5 (cycles/discharge, pass 1), charge_Ah: stored -27.9, from the data -28, differs by -0.1",
		"energy: not in the record; from the data 3040 Wh",
	}, lines)
}

// A trip stands in the record however much else there is to tell.
func TestJournalNeverLeavesATripOut(t *testing.T) {
	s := made(t)
	for i := range 3000 {
		s.Journal.Record(start.Add(drivers.Span(i)*drivers.Second), machine.Record{Kind: machine.RecordNote, Text: fmt.Sprint(i)})
	}
	s.Journal.Record(start.Add(3*drivers.Hour), machine.Record{Kind: machine.RecordTrip, Text: "cell_07 over 3.650 V"})
	r := Compose(s)
	assert.Len(t, r.Events, eventsMost)
	assert.Equal(t, Event{"3:00:00", "TRIPPED: cell_07 over 3.650 V"}, r.Events[len(r.Events)-1])
	assert.Equal(t, 3003-eventsMost, r.Left)
}

func TestProbabilityIsNeverCertain(t *testing.T) {
	for p, want := range map[float64]string{1: "> 99.99 %", 0.99995: "> 99.99 %", 0.977249: "97.72 %", 0: "< 0.01 %"} {
		assert.Equal(t, want, probability(p))
	}
}

var pathNumber = regexp.MustCompile(`NaN|Inf`)

func TestNothingIsDrawnAtNoPlace(t *testing.T) {
	for _, p := range made(t).Plots {
		for _, path := range p.Paths {
			assert.False(t, pathNumber.MatchString(path.D), "%s: %s", p.Title, path.Class)
		}
	}
}

// Who signs sees the specific risk in the table and the global ones under the rule.
func TestRecordStatesGlobalRisks(t *testing.T) {
	s := made(t)
	assert.NotContains(t, written(t, Compose(s)), "Global risks")
	for i := range s.Verdict.Judgements {
		if j := &s.Verdict.Judgements[i]; j.Figure == qualify.Capacity {
			j.Population, j.Global = &qualify.Population{Mean: 40, Deviation: 0.4}, &gum.Risks{Consumer: 0.0012, Producer: 0.034, Outside: 0.0062}
		}
	}
	assert.Contains(t, written(t, Compose(s)), "Global risks of capacity (JCGM 106:2012, 9.5), population 40, deviation 0.4 Ah, stated in the criteria: 0.62 % outside the limit; 0.12 % outside and passed; 3.40 % within and not passed.")
}

// A module that is to be set aside says so on its first page, and how in the notes.
func TestRecordOfAFailedModuleSaysWhatToDo(t *testing.T) {
	s := made(t)
	s.Verdict.Decision = qualify.Fail
	text := written(t, Compose(s))
	assert.Contains(t, text, "Module KW-01 failed: quarantine it.")
	assert.Contains(t, text, "DO NOT CHARGE")
	s = made(t)
	s.Outcome, s.Done = "tripped, cell 7 over its limit", false
	assert.Contains(t, written(t, Compose(s)), "treat it as damaged: quarantine it")
	assert.NotContains(t, written(t, Compose(made(t))), "quarantine")
}
