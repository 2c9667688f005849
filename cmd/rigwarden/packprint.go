package main

import (
	"fmt"
	"math"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/pack"
)

// parallelCautions are what has to be known before modules are connected. Work on
// live modules follows the place's own rules, which nothing here replaces.
func parallelCautions(p *pack.Precheck) []string {
	var out []string
	if p.Stored > 0 {
		out = append(out, fmt.Sprintf("These modules hold %.1f kWh and cannot be switched off: work on them is live work.", p.Stored/1000))
	}
	return append(out,
		"Connecting by hand may draw an arc. Close the link with contactors rated for d.c., never by plugging; wear eye and face protection, insulating gloves and use insulated tools.",
		"Each module needs a d.c. fuse of its own, rated for the full voltage and to break the fault current above, and an isolating contactor that a trip opens.",
		"Measure again right before closing, polarity first, and watch every module until the currents have faded: a prediction is no protection.",
		"For qualified persons. Follow local law, codes and licensed practice; this check does not replace a risk assessment.",
	)
}

func (a *app) tellPrecheck(p *pack.Precheck, sources []string) {
	word, colour := "MAY BE CONNECTED", green
	if !p.Allowed {
		word, colour = "MUST NOT BE CONNECTED", red
	}
	fmt.Fprintln(a.out, a.paint(colour, word))
	if len(p.Modules) > 0 {
		fmt.Fprintln(a.out)
		a.tellStandings(p)
		a.tellDecay(p)
	}
	a.tellFindings(p)
	a.tellRemedy(p)
	fmt.Fprintln(a.out)
	for _, s := range sources {
		a.tellWrapped("", s)
	}
	fmt.Fprintln(a.out)
	for _, c := range parallelCautions(p) {
		a.tellWrapped("- ", c)
	}
}

// tellWrapped prints a text whose later lines stand under its first word.
func (a *app) tellWrapped(head, text string) {
	for _, l := range wrap(text, screen-len(head)) {
		fmt.Fprintf(a.out, "%s%s\n", head, l)
		head = strings.Repeat(" ", len(head))
	}
}

// tellStandings: currents are positive while they charge.
func (a *app) tellStandings(p *pack.Precheck) {
	t := newTable("module", ">volts", ">charge %", ">first A", ">never over A", ">limit A", ">moved Ah", ">heat J", ">warms K", ">fault kA")
	for _, m := range p.Modules {
		t.row(m.Module, fmt.Sprintf("%.3f", m.Volts), fmt.Sprintf("%.1f to %.1f", 100*m.SoC.Low, 100*m.SoC.High),
			fmt.Sprintf("%+.2f", m.First), fmt.Sprintf("+%.1f -%.1f", up(m.Worst.Charge), up(m.Worst.Discharge)),
			fmt.Sprintf("+%.3g -%.3g", m.ChargeLimit, m.DischargeLimit),
			fmt.Sprintf("%+.3f", m.Moved), fmt.Sprintf("%.0f", m.Heat), fmt.Sprintf("%.2f", m.Rise), fmt.Sprintf("%.2f", m.FaultCurrent/1000))
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	worst := 0.0
	for _, m := range p.Modules {
		worst = max(worst, m.Worst.Moved)
	}
	pairsAt(a.out, "",
		"apart", fmt.Sprintf("%.3f V; known exactly, %.3f V would be allowed (%s)", p.Difference, p.AllowedDifference, p.AllowedBy),
		"charge apart", fmt.Sprintf("at most %.1f %% of the capacity; up to %.2f Ah may pass until all is equal", 100*p.Apart, worst),
		"in the end", fmt.Sprintf("%.3f V", p.Final),
	)
}

// up rounds to tenths, upwards: a limit just exceeded must look so.
func up(x float64) float64 { return max(math.Ceil(x*10-1e-9), 0) / 10 }

// tellDecay plots how the greatest of the likeliest currents fades.
func (a *app) tellDecay(p *pack.Precheck) {
	if len(p.Decay) == 0 {
		return
	}
	const wide = 40
	fmt.Fprintln(a.out)
	t := newTable(">after", ">greatest", "the likeliest current's decay")
	for _, d := range p.Decay {
		bar := strings.Repeat("#", max(int(math.Round(d.Share*wide)), 1))
		t.row(clockSpan(int64(d.Seconds*1e6)), fmt.Sprintf("%.2f A", d.Amps), bar)
	}
	t.print(a.out)
}

func (a *app) tellFindings(p *pack.Precheck) {
	for _, f := range p.Findings {
		head := "REFUSED: "
		if f.Grade == pack.Caution {
			head = "CAUTION: "
		}
		text := f.What
		if f.Module != "" {
			text = f.Module + ": " + text
		}
		if f.Do != "" {
			text += ". " + strings.ToUpper(f.Do[:1]) + f.Do[1:]
		}
		fmt.Fprintln(a.out)
		a.tellWrapped(head, text+".")
	}
}

func (a *app) tellRemedy(p *pack.Precheck) {
	r := p.Remedy
	if r == nil {
		return
	}
	fmt.Fprintln(a.out)
	switch {
	case r.Within <= 0:
		a.tellWrapped("", "No voltage helps while so little is known: the uncertainties alone exceed what is allowed. Measure with a better meter, count charge, or give the resistances.")
		return
	case r.ByCharge:
		a.tellWrapped("", fmt.Sprintf("First bring each to %.0f %% of charge, by counting, one at a time, and check again with --soc. At %.3f V the curve is too flat for a meter to tell; full modules may be compared by voltage as well.", 100*r.SoC, r.Target))
	default:
		most := ""
		if r.Target+r.Within > r.Most {
			most = fmt.Sprintf(" and never over %.3f V", r.Most)
		}
		a.tellWrapped("", fmt.Sprintf("First bring each to %.3f V at rest, within %.3f V%s (about %.0f %% of charge), one at a time, and check again:", r.Target, math.Floor(r.Within*1000)/1000, most, 100*r.SoC))
	}
	t := newTable("", "module", "", ">from V", ">to V", ">about Ah")
	for i, s := range r.Steps {
		if s.Way == pack.Leave {
			t.row(fmt.Sprint(i+1), s.Module, string(s.Way), fmt.Sprintf("%.3f", s.From), "", "")
			continue
		}
		t.row(fmt.Sprint(i+1), s.Module, string(s.Way), fmt.Sprintf("%.3f", s.From), fmt.Sprintf("%.3f", s.To), fmt.Sprintf("%+.2f", s.Charge))
	}
	t.print(a.out)
}
