package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// balanceTold is one look at the balance, as recorded.
type balanceTold struct {
	At          int64 `json:"at_us"`
	Imbalance   int64 `json:"imbalance_ppm"`
	Uncertainty int64 `json:"uncertainty_ppm"` // 95 %; 1,000,000 where only a bound is known
	Left        int64 `json:"left_nc"`
	Need        int64 `json:"need_us"` // bleeding and its pauses
	Spread      int64 `json:"spread_uv"`
	// Telling says that the spread means something where the cells stand.
	Telling bool       `json:"spread_telling"`
	Cells   []cellTold `json:"cells"`
	GiveUp  string     `json:"gave_up,omitempty"`
}

// cellTold is a cell's charge at the top over the least cell's.
type cellTold struct {
	Cell   int   `json:"cell"`
	Excess int64 `json:"excess_nc"`
	// Doubt is the excess's 95 % half width; absent where it is only a bound.
	Doubt *int64 `json:"uncertainty_nc"`
	Left  int64  `json:"left_nc"`
}

// balance takes in the planner's answer, if a recorded line is one.
func (s *story) balance(l *rigwardenv1.EventLine) (balanceTold, bool) {
	if !strings.HasPrefix(l.GetLine(), "computed ") {
		return balanceTold{}, false
	}
	event, err := machine.ParseEvent(l.GetLine())
	c, ok := event.(machine.Computed)
	if err != nil || !ok {
		return balanceTold{}, false
	}
	b := balanceTold{
		At: l.GetAtUs(), Imbalance: c.ImbalancePPM, Uncertainty: c.UncertaintyPPM, Left: int64(c.Left), Need: int64(c.Need),
		Spread: int64(c.Spread), Telling: c.Telling, GiveUp: c.GiveUp,
	}
	for i, e := range c.Excess {
		t := cellTold{Cell: i + 1, Excess: int64(e)}
		if i < len(c.Doubts) && c.Doubts[i] >= 0 {
			d := int64(c.Doubts[i])
			t.Doubt = &d
		}
		if i < len(c.CellsLeft) {
			t.Left = int64(c.CellsLeft[i])
		}
		b.Cells = append(b.Cells, t)
	}
	s.Balance = &b
	return b, true
}

// imbalance is a share of the capacity with its uncertainty.
func imbalance(ppm, uncertainty int64) string {
	if uncertainty >= 1_000_000 {
		return fmt.Sprintf("at least %.2f %%", float64(ppm)/1e4)
	}
	return fmt.Sprintf("%.2f +/- %.2f %%", float64(ppm)/1e4, float64(uncertainty)/1e4)
}

// toBleed is what is left, in a sentence's end.
func toBleed(left, need int64) string {
	if left == 0 {
		return "nothing left to bleed"
	}
	return fmt.Sprintf("%s left to bleed, %s", strings.TrimPrefix(ampHours(left), "+"), clockSpan(need))
}

// sum is the look in a sentence.
func (b *balanceTold) sum() string {
	apart := fmt.Sprintf("%.0f mV apart at rest", float64(b.Spread)/1000)
	if !b.Telling {
		apart += ", which says little here"
	}
	return fmt.Sprintf("imbalance %s of the capacity, %s; %s", imbalance(b.Imbalance, b.Uncertainty), toBleed(b.Left, b.Need), apart)
}

// lines tell each cell's excess and what it has still to bleed, in mAh.
func (b *balanceTold) lines() []string {
	if len(b.Cells) == 0 {
		return nil
	}
	out := []string{"cell: charge over the least one, mAh (still to bleed)"}
	const perLine = 4
	for row := range slices.Chunk(b.Cells, perLine) {
		var parts []string
		for _, c := range row {
			parts = append(parts, fmt.Sprintf("%-22s", c.text()))
		}
		out = append(out, strings.TrimRight(strings.Join(parts, ""), " "))
	}
	return out
}

func (c *cellTold) text() string {
	const mAh = int64(drivers.AmpereHour / 1000)
	if c.Doubt == nil {
		return fmt.Sprintf("#%d <%d (%d)", c.Cell, c.Excess/mAh, c.Left/mAh)
	}
	return fmt.Sprintf("#%d %d+/-%d (%d)", c.Cell, c.Excess/mAh, *c.Doubt/mAh, c.Left/mAh)
}

// balancing is a bench's balance now, for a status.
func balancing(b *rigwardenv1.BenchStatus) string {
	v := b.GetBalance()
	return fmt.Sprintf("imbalance %s, %s", imbalance(b.GetImbalancePpm(), v.GetUncertaintyPpm()), toBleed(v.GetLeftNc(), v.GetNeedUs()))
}
