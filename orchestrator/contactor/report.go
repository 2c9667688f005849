package contactor

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// touchSafe is the voltage under which a link may be touched, d.c. (ISO 6469-3
// class A, from memory).
const touchSafe = 60.0

// Report is what a run showed of a bench's contactors.
type Report struct {
	Run       string          `json:"run"`
	Bench     string          `json:"bench"`
	Module    string          `json:"module"`
	At        drivers.Instant `json:"at_us"`
	Who       string          `json:"who"`
	Simulated bool            `json:"simulated"`
	// Resistor, link and bleed as the bench file declares them; Expected is the
	// time constant that they make, C*(R||Rb), and Final where the link settles
	// relative to the article, Rb/(R+Rb), both for the loads declared.
	Resistor float64 `json:"resistor_ohm"`
	LinkF    float64 `json:"link_F"`
	Bleed    float64 `json:"bleed_ohm"` // 0: none
	// MayTake is what the resistor may take at once, and SheddingIn how long it needs
	// to shed it, by the bench file; 0: not declared, and nothing waits for it.
	MayTake    float64 `json:"resistor_may_take_J"`
	SheddingIn float64 `json:"resistor_sheds_in_s"`
	Expected   float64 `json:"expected_s"`
	Final      float64 `json:"final_of_article"`
	// Tolerance is how far a measured time constant may be off, relative.
	Tolerance float64   `json:"tolerance"`
	Closings  []Closing `json:"closings"`
	Openings  []Opening `json:"openings"`
	Trip      string    `json:"trip,omitempty"`
	Passed    bool      `json:"passed"`
	Why       []string  `json:"why"`
}

// Closing is one precharge and closing.
type Closing struct {
	At drivers.Instant `json:"at_us"`
	// Before: the article by the meter (polarity), the link, and whether both
	// outputs read off and no current flowed.
	Article float64 `json:"article_V"`
	Link    float64 `json:"link_V"`
	Off     bool    `json:"outputs_off"`
	Still   bool    `json:"no_current"`
	// NegativeRise is how far the link rose with the negative contactor alone
	// closed: a positive path that is not open would lift it.
	NegativeRise float64 `json:"negative_rise_V"`
	// Tau with its 95 % half width from Readings; Tau 0: not measured, Note says why.
	Tau      float64 `json:"tau_s"`
	Within   float64 `json:"tau_within_s"`
	Readings int     `json:"readings"`
	Note     string  `json:"note,omitempty"`
	// Took is from the precharge contactor's closing to the positive's; Residual
	// what the link lacked of the article just before.
	Took     float64 `json:"precharge_s"`
	Residual float64 `json:"residual_V"`
	// Energy is what the resistor took, half C times the square of the way.
	Energy float64 `json:"resistor_J"`
	// Joined says that negative and positive read closed and the precharge open.
	Joined bool `json:"joined"`
}

// Opening is the link after everything opened.
type Opening struct {
	At      drivers.Instant `json:"at_us"`
	Current float64         `json:"current_A"` // measured before
	Article float64         `json:"article_V"`
	// Link is what was left of the link's voltage After so long; Tau the link's own
	// time constant with its 95 % half width, 0: not measured. Fell says that the
	// link left the article: the contactors are open.
	Link  float64 `json:"link_V"`
	After float64 `json:"after_s"`
	Tau   float64 `json:"tau_s"`
	Fell  bool    `json:"fell"`
	// Touch is how long after opening the link is under 60 V by that time constant;
	// 0: nothing says when.
	Touch float64 `json:"touch_s"`
}

// Run is what is known of a run beside its plan, lines and frames.
type Run struct {
	ID, Bench, Module, Who string

	Start   drivers.Instant
	Outcome machine.Outcome
	Reason  string
	Virtual bool
}

// Report judges what was read.
func (r *Reader) Report(run Run) *Report {
	r.finish()
	box := &r.plan.Bench.Box
	out := &Report{
		Run: run.ID, Bench: run.Bench, Module: run.Module, At: run.Start, Who: run.Who, Simulated: run.Virtual || r.plan.Bench.Simulated(),
		Resistor: float64(box.Precharge) / 1e6, LinkF: float64(box.LinkNF) / 1e9, Bleed: float64(box.LinkBleed) / 1e6,
		MayTake: float64(box.ResistorEnergy) / 1e6, SheddingIn: seconds(box.ResistorSpan),
		Expected: r.expected, Final: r.final, Tolerance: r.tolerance,
		Closings: r.closings, Openings: r.openings, Trip: r.trip, Why: []string{},
	}
	why := func(format string, args ...any) { out.Why = append(out.Why, fmt.Sprintf(format, args...)) }
	if r.trip != "" {
		why("the run tripped: %s", r.trip)
	} else if run.Outcome != machine.OutcomeDone {
		why("%s", strings.TrimSuffix("the run is not done: "+string(run.Outcome)+": "+run.Reason, ": "))
	}
	if len(r.closings) == 0 {
		why("the contactors were never closed")
	}
	for i := range r.closings {
		r.judge(i, &r.closings[i], why)
	}
	for i := range r.openings {
		if o := &r.openings[i]; !o.Fell {
			why("opening %d: the link was still at %.2f V after %.1f s, with the article at %.2f V: a contactor is welded, the supply is on, or the link has no bleed that tells", i+1, o.Link, o.After, o.Article)
		}
	}
	out.Passed = len(out.Why) == 0
	return out
}

func (r *Reader) judge(i int, c *Closing, why func(string, ...any)) {
	switch {
	case c.Article <= 0:
		why("closing %d: the meter read %.2f V across the article: polarity or leads", i+1, c.Article)
	case !c.Off || !c.Still:
		why("closing %d: an output was on, or a current flowed, beforehand", i+1)
	case c.NegativeRise > c.Article/10:
		why("closing %d: the link rose by %.2f V with the negative contactor alone closed", i+1, c.NegativeRise)
	case !c.Joined:
		why("closing %d: the contactors did not come to be closed", i+1)
	case c.Tau == 0:
		why("closing %d: time constant not measured: %s", i+1, c.Note)
	case c.Tau-c.Within > r.expected*(1+r.tolerance) || c.Tau+c.Within < r.expected*(1-r.tolerance):
		why("closing %d: time constant %.1f ms +/- %.1f ms; resistor, link and bleed of the bench file make %.1f ms within %.0f %%",
			i+1, c.Tau*1e3, c.Within*1e3, r.expected*1e3, r.tolerance*100)
	}
}
