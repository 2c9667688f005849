package record

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/profiles"
)

// Source is what a record is made from: what was stored with one run, and what
// is known of the module beside.
type Source struct {
	Paper, Made string
	Plan        *machine.Plan
	// Module is the file that the plan was made from.
	Module *profiles.Module
	// Criteria, Figures and Verdict may be nil: the run is then unjudged.
	Criteria *profiles.Criteria
	Figures  *qualify.Figures
	Verdict  *qualify.Verdict

	Run, Bench, Who string
	From, To        drivers.Instant
	Outcome         string
	Done            bool
	// Virtual says that the run was made in virtual time.
	Virtual bool
	// Digests: of the plan, the data and the chain's head.
	PlanDigest, Digest, Head string
	// Broken, Later: see Findings.
	Broken, Later []string
	// Notes stand beside the figures' own.
	Notes   []string
	Checks  []Check
	Runs    []Run
	Journal *Journal
	Plots   []Plot
}

// Compose puts the record into words.
func Compose(s *Source) *Record {
	if s.Figures == nil {
		s.Figures = &qualify.Figures{}
	}
	r := &Record{
		Paper: s.Paper, Serial: s.Plan.Module, Made: s.Made,
		Identity: s.identity(), Nameplate: s.nameplate(), Rule: s.rule(), Criteria: s.criteria(),
		Checks: s.Checks, Runs: s.Runs, Plots: s.Plots,
		Instruments: instruments(&s.Plan.Bench), Trace: s.trace(), Release: s.release(),
		Notes: slices.Concat(s.Figures.Notes, s.Notes),
	}
	f := Findings{Outcome: s.Outcome, Done: s.Done, Broken: s.Broken, Later: s.Later, Simulated: s.simulated()}
	if s.Verdict != nil {
		f.Verdict = s.Verdict.Decision
		for _, why := range s.Verdict.Reasons {
			f.Reasons = append(f.Reasons, paperUnits.Replace(words(why)))
		}
	}
	r.Head = Decide(f)
	ended, _, _ := strings.Cut(s.Outcome, ", ") // its reason follows
	if todo := qualify.SetAside(r.Serial, machine.Outcome(ended), f.Verdict); todo != "" {
		lines := strings.Split(todo, "\n")
		r.Head.Why, r.Notes = append(r.Head.Why, lines[0]), append(r.Notes, lines[1:]...)
	}
	if s.Module != nil {
		r.Title = s.Module.Title
	}
	for i, row := range s.Figures.Table() {
		r.Figures = append(r.Figures, Row{
			Name: words(row.Name), Value: signs(row.Value), Interval: row.Interval, Unit: unit(row.Unit), Note: paperUnits.Replace(row.Note),
			Proven: moduleFigure(s.Figures, i).Status == qualify.OK,
		})
	}
	for _, o := range s.Figures.Odd {
		r.Odd = append(r.Odd, fmt.Sprintf("cell %d, %s %.4g %s where its siblings have %.4g (z %.1f): %s", o.Cell, words(o.Figure), o.Value, unit(o.Unit), o.Median, o.Z, o.Hint))
	}
	r.Steps, r.Events, r.Left = s.happened()
	return r
}

// moduleFigure is the i-th figure that is the module's and not a cell's.
func moduleFigure(f *qualify.Figures, i int) qualify.Figure {
	for _, g := range f.Figures {
		if g.Cell != 0 {
			continue
		}
		if i == 0 {
			return g
		}
		i--
	}
	return qualify.Figure{}
}

// simulated says whether any instrument was virtual, in the run's own plan.
func (s *Source) simulated() bool { return s.Virtual || s.Plan.Bench.Simulated() }

func (s *Source) identity() []Fact {
	out := []Fact{{"serial", s.Plan.Module}}
	if m := s.Module; m != nil {
		out = append(out, Fact{"chemistry", m.Chemistry}, Fact{"configuration", fmt.Sprintf("%dS%dP: %d groups in series, %d cells in each", m.Series, m.Parallel, m.Series, m.Parallel)})
	}
	out = append(out,
		Fact{"run", fmt.Sprintf("%s, profile %s, on bench %s", s.Run, s.Plan.Profile, s.Bench)},
		Fact{"started", clock(s.From) + " UTC by " + orDash(s.Who)},
		Fact{"ended", clock(s.To) + " UTC: " + s.Outcome},
		Fact{"limits then", s.limits()},
	)
	return out
}

// limits are those at which the run would have tripped, by the stored plan.
func (s *Source) limits() string {
	l := &s.Plan.Limits
	degC := func(t drivers.Millikelvins) string { return plain(float64(t-drivers.ZeroC) / 1e3) }
	return fmt.Sprintf("cell %s V to %s V; charge %s A, %s °C to %s °C; discharge %s A, %s °C to %s °C",
		plain(float64(l.CellMin)/1e6), plain(float64(l.CellMax)/1e6),
		plain(float64(l.ChargeMax)/1e6), degC(l.TempChargeMin), degC(l.TempChargeMax),
		plain(float64(l.DischargeMax)/1e6), degC(l.TempDischargeMin), degC(l.TempDischargeMax))
}

func (s *Source) nameplate() []string {
	rated := float64(s.Plan.Rated) / float64(drivers.AmpereHour)
	out := []string{s.Plan.Module}
	measured := "not proven"
	if c, ok := s.Figures.Find(qualify.Capacity); ok && c.Status == qualify.OK {
		row := c.Row()
		measured = row.Value + " Ah"
		if row.Interval != "" {
			measured += " ± " + row.Interval + " Ah"
		}
	}
	if m := s.Module; m != nil {
		nominal := float64(m.Nominal) / 1e6 * float64(m.Series)
		out = append(out,
			fmt.Sprintf("Rechargeable lithium ion module, %s, %dS%dP", m.Chemistry, m.Series, m.Parallel),
			fmt.Sprintf("%.4g V nominal, %.4g V to %.4g V", nominal,
				float64(m.Maker.CellMin)/1e6*float64(m.Series), float64(m.Maker.CellMax)/1e6*float64(m.Series)),
			fmt.Sprintf("Rated %.4g Ah, %.4g Wh", rated, rated*nominal))
	} else {
		out = append(out, fmt.Sprintf("Rated %.4g Ah", rated))
	}
	return append(out, "Measured "+measured, "Hazardous voltage. Cannot be switched off.")
}

func (s *Source) rule() []string {
	if s.Criteria == nil {
		return []string{"No criteria can be read."}
	}
	c := s.Criteria
	rule := map[profiles.DecisionRule]string{
		profiles.RuleSimple:      "simple acceptance (clause 4.2.1)",
		profiles.RuleBinary:      "one guard band (clause 4.2.2)",
		profiles.RuleConditional: "guard bands on either side, with conditional pass and conditional fail (clause 4.2.3)",
	}[c.Rule]
	if c.Rule != profiles.RuleSimple {
		rule += fmt.Sprintf(", as wide as %.4g %% of ±", float64(c.GuardBand)/1e4)
	}
	out := []string{fmt.Sprintf("%s, agreed beforehand on %s by %s, SHA-256 %.16s. Decision rule after ILAC-G8:09/2019: %s.", c.Name, c.Agreed.On.Format("2006-01-02"), c.Agreed.By, c.Digest, rule)}
	if s.Verdict == nil {
		return out
	}
	for _, j := range s.Verdict.Judgements {
		if j.Global == nil {
			continue
		}
		from := "stated in the criteria"
		if j.Population.Siblings > 0 {
			from = fmt.Sprintf("of %d siblings in this run", j.Population.Siblings)
		}
		out = append(out, fmt.Sprintf("Global risks of %s (JCGM 106:2012, 9.5), population %s, deviation %s %s, %s: %s outside the limit; %s outside and passed; %s within and not passed.",
			words(j.Figure), plain(j.Population.Mean), plain(j.Population.Deviation), unit(j.Unit), from,
			probability(j.Global.Outside), probability(j.Global.Consumer), probability(j.Global.Producer)))
	}
	return out
}

func (s *Source) criteria() []Criterion {
	if s.Verdict == nil {
		return nil
	}
	var out []Criterion
	for _, j := range s.Verdict.Judgements {
		row := qualify.Figure{Name: j.Figure, Value: j.Value, U: j.U, Unit: j.Unit, NoValue: j.NoValue, Status: qualify.OK}.Row()
		name := words(j.Figure)
		if j.Cell > 0 {
			name += fmt.Sprintf(", worst: cell %d", j.Cell)
		}
		sign := "≤ "
		if j.AtLeast {
			sign = "≥ "
		}
		c := Criterion{
			Figure: name, Value: signs(row.Value), Interval: orDash(row.Interval), Unit: unit(j.Unit), Decision: string(j.Decision), Passed: j.Decision == qualify.Pass,
			Limit: sign + plain(j.Limit), Accept: sign + plain(j.Accept), Conformity: probability(j.Conformity),
		}
		if j.Decision == qualify.NotProven {
			c.Accept, c.Conformity = "–", "–"
			if j.Unit == "" {
				c.Limit = "–"
			}
		}
		out = append(out, c)
	}
	return out
}

func (s *Source) release() []Fact {
	soc := StateOfCharge(s.Figures, float64(s.Plan.Rated)/float64(drivers.AmpereHour))
	text := "not known: no full charge was seen in this run; read the open-circuit voltage and the cell maker's curve"
	if soc.Known {
		of := "rated"
		if soc.Measured {
			of = "measured"
		}
		text = fmt.Sprintf("about %.0f %% at the end of the run, counted: %s Ah since the last full charge, of %.4g Ah %s", 100*soc.Share, signs(fmt.Sprintf("%+.2f", soc.Counted)), soc.Capacity, of)
	}
	out := []Fact{{"state of charge", text}}
	for i := len(s.Figures.Steps) - 1; i >= 0; i-- {
		if v := s.Figures.Steps[i].EndVoltage; v > 0 {
			out = append(out, Fact{"voltage then", fmt.Sprintf("%.3f V after %s", v, s.Figures.Steps[i].Label)})
			break
		}
	}
	if m := s.Module; m != nil {
		out = append(out, Fact{"to be stored at", fmt.Sprintf("%.4g %% to %.4g %%", float64(m.StorageMin)/1e4, float64(m.StorageMax)/1e4)})
	}
	return out
}

func (s *Source) trace() []Fact {
	out := []Fact{
		{"digest of the data (SHA-256)", orDash(s.Digest)},
		{"hash chain's head", orDash(s.Head)},
		{"plan (SHA-256)", s.PlanDigest},
		{"module file (SHA-256)", s.Plan.ModuleDigest},
	}
	if s.Criteria != nil {
		out = append(out, Fact{"criteria (SHA-256)", s.Criteria.Digest})
	}
	checked := "yes: chain, audit trail, figures and verdict were checked when this page was made"
	if len(s.Broken) > 0 {
		checked = "NO: see the first page"
	}
	return append(out, Fact{"follows from the data", checked})
}

func clock(t drivers.Instant) string {
	return time.UnixMicro(int64(t)).UTC().Format("2006-01-02 15:04:05")
}

func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// paperUnits puts units in sentences that were made for a screen into signs.
var paperUnits = strings.NewReplacer(" mOhm", " mΩ", " degC", " °C", "+/-", "±")

// unit writes a figure's unit with its sign.
func unit(u string) string {
	switch u {
	case "mOhm":
		return "mΩ"
	case "degC":
		return "°C"
	case "1":
		return ""
	}
	return u
}

// signs writes a number's minus as one.
func signs(s string) string { return strings.ReplaceAll(s, "-", "−") }

func plain(v float64) string { return signs(strconv.FormatFloat(v, 'g', 5, 64)) }

// probability is in percent, and never rounded up to certainty.
func probability(p float64) string {
	switch {
	case p > 0.9999:
		return "> 99.99 %"
	case p < 0.0001:
		return "< 0.01 %"
	}
	return fmt.Sprintf("%.2f %%", 100*p)
}
