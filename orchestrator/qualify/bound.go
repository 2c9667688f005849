package qualify

// bounds tell what the last full discharge says of each cell's own capacity. Only
// a cell that ended both the charge and the discharge was measured whole; every
// other one gave as much and had some left, so that it has at least that. No
// criterion may ask for these: a bound is no figure of merit.
func (c *cycles) bounds(b *instruments) []Figure {
	n := len(c.discharges)
	if n == 0 || c.discharges[n-1].reason != "" {
		return nil
	}
	d := &c.discharges[n-1]
	whole := 0
	if d.oneCell(b) {
		whole = d.run.endCell
	}
	out := make([]Figure, 0, c.series)
	for cell := 1; cell <= c.series; cell++ {
		f := figure(CellCapacity, "Ah", c.value(b, d)).with("a bound: at least this, the cell gave it and was not empty or had not been full")
		switch {
		case cell == whole:
			f.Detail = "measured: the cell ended charge and discharge"
		case cell == d.run.endCell:
			f.Detail = "a bound: at least this, the cell was empty but perhaps not full before"
			if d.run.doubtful(b) {
				f.Detail = "a bound: at least this, the taps cannot tell which cell was empty"
			}
		}
		f.Cell, f.Unjudged, f.Budget = cell, true, nil
		out = append(out, f)
	}
	return out
}
