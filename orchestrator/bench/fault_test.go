package bench_test

import (
	"testing"
)

// brief visits every state of the machine within twenty minutes of rig time.
const brief = `
profile: brief
title: every state within minutes
expect_start: 93 %
steps:
  - close
  - charge: {label: first charge, current: 1 C, hold: 3.55 V/cell, taper: C/10}
  - rest: {label: rest full, for: 2 min}
  - balance:
      to: 0.3 %
      top_up: {current: C/5, hold: 3.55 V/cell, taper: C/20}
      settle: 1 min
      chunk: 5 min
  - discharge: {current: 1 C, counted: 1.5 Ah}
  - rest: {label: rest lower, for: 2 min}
  - repeat:
      label: pulses
      times: 1
      steps:
        - pulse: {label: out, discharge: 1 C, for: 10 s, use: resistance}
        - rest: {label: after out, for: 1 min}
        - pulse: {label: in, charge: 1 C, for: 10 s, use: resistance}
        - rest: {label: after in, for: 1 min}
`

// quick is the shipped module and bench nearly full, with a stronger bleed: the
// whole of brief takes minutes.
func quick(t testing.TB) setup {
	t.Helper()
	b := shippedBench(t, "bleed: {resistance: 6.8 Ohm, neighbours: no", "bleed: {resistance: 1 Ohm, neighbours: yes")
	s := newSetup(t, shippedModule(t), b, brief)
	s.config.Article.SoC = 0.93
	s.config.Article.Spread.SoC = 0.004
	s.config.Article.Spread.Capacity = 0.005
	return s
}

func TestQuick(t *testing.T) {
	x := quick(t).open(t)
	e := x.run()
	for _, l := range x.tape.lines {
		if len(l.Line) > 6 && (l.Line[:6] == "record" || l.Line[:6] == "comput") {
			t.Log(float64(l.At-began)/1e6, l.Line)
		}
	}
	t.Log(e, x.tape.count)
}
