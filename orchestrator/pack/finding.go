package pack

import (
	"fmt"
	"math"
)

func (p *Precheck) refuse(module, do, what string, args ...any) {
	p.Findings = append(p.Findings, Finding{Refuse, module, fmt.Sprintf(what, args...), do})
}

func (p *Precheck) caution(module, do, what string, args ...any) {
	p.Findings = append(p.Findings, Finding{Caution, module, fmt.Sprintf(what, args...), do})
}

// unlike finds modules that can never be connected with the first.
func (p *Precheck) unlike(branches []Branch) {
	const do = "never connect them in parallel"
	a := &branches[0]
	for i := range branches[1:] {
		b := &branches[i+1]
		if b.Series != a.Series {
			p.refuse(b.Name, do, "%d cells in series, %s has %d", b.Series, a.Name, a.Series)
		}
		if b.Chemistry != a.Chemistry {
			p.refuse(b.Name, do, "chemistry %s, %s is %s", b.Chemistry, a.Name, a.Chemistry)
		}
	}
	for i := range branches {
		b := &branches[i]
		switch cell := (b.Voltage + b.VoltageWithin) / float64(b.Series); {
		case b.Voltage < 0:
			p.refuse(b.Name, "stop: the leads, or the module, are reversed; find out with a hand meter before anything is connected", "%.3f V: its polarity is reversed", b.Voltage)
		case cell < b.NoCharge:
			p.refuse(b.Name, "quarantine it: a cell found this low is never charged, and closing the link would charge it", "%.3f V a cell on average, under the maker's %.3f V", cell, b.NoCharge)
		}
	}
}

// judge holds what may happen against what is allowed.
func (p *Precheck) judge(branches []Branch, states []state, rules Rules) {
	for i := range branches {
		b, st := &branches[i], &p.Modules[i]
		n := float64(b.Series)
		if low := (b.Voltage - b.VoltageWithin) / n; low < b.CellMin {
			p.refuse(b.Name, "bring it back within its limits on its own first, attended, as its maker permits", "%.3f V a cell on average, under the limit of %.3f V", low, b.CellMin)
		}
		if high := (b.Voltage + b.VoltageWithin) / n; high > b.CellMax {
			p.refuse(b.Name, "discharge it on its own first", "%.3f V a cell on average, over the limit of %.3f V", high, b.CellMax)
		}
		if states[i].disagree {
			p.refuse(b.Name, "let it rest, measure again, and charge or discharge it to a known state if they still disagree",
				"its voltage says %s of charge, counting says %s: one of them is wrong", percent(states[i].byVoltage), percent(*b.SoC))
		}
		if st.Worst.Charge > st.ChargeLimit {
			p.refuse(b.Name, "", "may take up to %.1f A, over %.3g A: %s", upwards(st.Worst.Charge), st.ChargeLimit, st.ChargeBy)
		}
		if st.Worst.Discharge > st.DischargeLimit {
			p.refuse(b.Name, "", "may give up to %.1f A, over %.3g A: %s", upwards(st.Worst.Discharge), st.DischargeLimit, st.DischargeBy)
		}
		p.protection(b, st)
	}
	if p.Apart > rules.Apart {
		p.refuse("", "count each from a full charge, or bring each to where the curve is steep",
			"states of charge may lie up to %.0f %% apart, over %.0f %%: on a flat curve equal volts hide large differences", 100*p.Apart, 100*rules.Apart)
	}
}

// protection: each branch has a fuse that can break what the others drive, and a
// contactor that isolates it.
func (p *Precheck) protection(b *Branch, st *Standing) {
	switch {
	case b.Fuse == 0:
		p.refuse(b.Name, fmt.Sprintf("fit a d.c. fuse of its own that breaks %.2g kA", st.FaultCurrent/1000), "no fuse is declared")
	case b.Breaking < st.FaultCurrent:
		p.refuse(b.Name, "fit a d.c. fuse with a greater breaking capacity, rated for the module's greatest voltage",
			"its fuse breaks %.3g kA; a fault may drive %.3g kA through it", b.Breaking/1000, st.FaultCurrent/1000)
	}
	if !b.Isolated {
		p.caution(b.Name, "fit a contactor of its own that a trip opens; until then stay with it all the time", "no contactor isolates it from the others: attended work only")
	}
}

// upwards rounds to tenths: what is just over a limit must look so.
func upwards(amps float64) float64 { return math.Ceil(amps*10-1e-9) / 10 }

// percent writes an interval of states of charge.
func percent(i Interval) string { return fmt.Sprintf("%.1f %% to %.1f %%", 100*i.Low, 100*i.High) }
