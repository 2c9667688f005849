package main

import (
	"context"
	"fmt"

	"github.com/rigwarden/rigwarden/orchestrator/firstcheck"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// demoChecks makes the first checks that any module needs before it is energised,
// with what a person would have read on this one: every group by hand meter, and
// poles that read nothing to ground, as those of a virtual module do.
func (a *app) demoChecks(ctx context.Context, s *session, groups []int64) error {
	var acc accuracyFlag
	if err := acc.Set(usualMeter); err != nil {
		return err
	}
	var total int64
	for _, v := range groups {
		total += v
	}
	const tenMegohms = 10_000_000_000_000 // uOhm, the voltmeter's input
	if !a.json {
		fmt.Fprintln(a.out, "SIMULATED first checks, as a person makes them before the cell monitor is plugged in:")
	}
	for _, q := range []*rigwardenv1.MakeCheckRequest{
		{Method: &rigwardenv1.MakeCheckRequest_Hand{Hand: &rigwardenv1.HandReadings{TotalUv: total, GroupsUv: groups, Accuracy: acc.proto()}}},
		{Method: &rigwardenv1.MakeCheckRequest_Insulation{Insulation: &rigwardenv1.InsulationReadings{TotalUv: total, Accuracy: acc.proto(), MeterUohm: tenMegohms}}},
	} {
		q.Serial, q.Who = demoModule, demoWho+", SIMULATED readings"
		r, err := s.checks.Make(ctx, q)
		if err != nil {
			return err
		}
		c := r.GetCheck()
		if g := firstcheck.Grade(c.GetGrade()); g != firstcheck.Good {
			return &service.Error{Kind: service.KindRefused, What: fmt.Sprintf("the virtual module's %s check is %s", c.GetMethod(), g), Want: "another --seed"}
		}
		for _, f := range c.GetFindings() {
			if a.json {
				continue
			}
			for i, l := range wrap(gradeWords[firstcheck.Grade(f.GetGrade())]+": "+f.GetWhat(), screen-4) {
				fmt.Fprintf(a.out, "%s%s\n", []string{"  ", "    "}[min(i, 1)], l)
			}
		}
	}
	if !a.json {
		fmt.Fprintln(a.out)
	}
	return nil
}
