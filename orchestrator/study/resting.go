package study

import (
	"fmt"

	"github.com/rigwarden/rigwarden/profiles"
)

// restUnderLimit is how far under the working limit a module is held that is to rest
// near full, uV.
const restUnderLimit = 60_000

// resting is the same module and bench with a profile that charges, rests for two hours
// near full, where a voltage tells of charge, and asks for odd cells only.
func (s *Study) resting() (*Study, error) {
	p, problems := profiles.ParseProfile("rest.yaml", fmt.Appendf(nil, `profile: rest
title: a rest near full
expect_start: 90 %%
steps:
  - charge: {label: to the top, current: C/2, hold: %s/cell, taper: C/20}
  - rest: {label: near full, for: 2 h}
`, profiles.FormatQuantity(int64(s.Module.Limits.CellMax-restUnderLimit), profiles.DimVoltage)))
	if len(problems) > 0 {
		return nil, profiles.Error(problems)
	}
	c, problems := profiles.ParseCriteria("rest.yaml", []byte(`criteria: rest
title: no odd cell
agreed: {on: 2026-12-01, by: test engineer}
rule: simple
require:
  - {figure: odd_cells, at_most: 0}
`))
	if len(problems) > 0 {
		return nil, profiles.Error(problems)
	}
	return New(s.Module, p, s.Bench, c)
}
