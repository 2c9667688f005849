package block

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
)

// rebuild turns tokens into counts. The tokens of a group lie in the order of
// its series, so residuals are taken in that order; a series that follows the
// reference keeps its residuals in its column until the reference is known.
func (d *Decoder) rebuild(c *Columns, n, reference int, limit int64) error {
	for s := range d.series {
		p := &d.series[s]
		if !p.present {
			continue
		}
		x := d.column(c, s, n)
		x[0] = p.base
		if p.model.predictor == constant {
			for i := range x {
				x[i] = p.base
			}
			continue
		}
		if err := d.residuals(p, n-1); err != nil {
			return fmt.Errorf("series %d: %w", s, err)
		}
		if p.model.gain == 0 {
			p.model.counts(x, d.u, nil, nil)
			continue
		}
		if reference < 0 || s == clockColumns+reference || s < clockColumns {
			return fmt.Errorf("%w: series %d follows a reference that is not there", ErrCorrupt, s)
		}
		for i, u := range d.u {
			x[i+1] = int32(u) // kept here until the reference is known
		}
	}
	d.follow(c, reference, limit)
	for g := range d.groups {
		if err := d.groups[g].done(); err != nil {
			return err
		}
	}
	d.restoreClocks(c)
	d.restoreGaps(c)
	return nil
}

// done reports tokens or extra bits that no series took, and lets go of input.
func (g *unpacked) done() error {
	left, err := len(g.tokens), g.extra.done()
	g.tokens, g.extra = nil, bitReader{}
	if left > 0 {
		return fmt.Errorf("%w: %d tokens left over", ErrCorrupt, left)
	}
	return err
}

// follow finishes the series that follow the reference.
func (d *Decoder) follow(c *Columns, reference int, limit int64) {
	if reference < 0 {
		return
	}
	ref := c.Counts[reference]
	d.edges = edges(d.edges, ref, limit)
	for s := clockColumns; s < len(d.series); s++ {
		p := &d.series[s]
		if p.model.gain == 0 {
			continue
		}
		x := c.Counts[s-clockColumns]
		for i := range d.u {
			d.u[i] = uint32(x[i+1])
		}
		p.model.counts(x, d.u, ref, d.edges)
	}
}

// column is where series s belongs.
func (d *Decoder) column(c *Columns, s, n int) []int32 {
	if s >= clockColumns {
		return c.Counts[s-clockColumns]
	}
	d.clock[s] = grow(d.clock[s], n)
	return d.clock[s]
}

// residuals takes the next n tokens of the series' group.
func (d *Decoder) residuals(p *described, n int) error {
	g := &d.groups[p.group]
	if len(g.tokens) < n {
		return fmt.Errorf("%w: tokens run out", ErrCorrupt)
	}
	tokens := g.tokens[:n]
	g.tokens = g.tokens[n:]
	d.u = d.u[:n]
	for i, t := range tokens {
		if t < plainTokens {
			d.u[i] = uint32(t)
			continue
		}
		if t > lastToken {
			return fmt.Errorf("%w: unknown token %d", ErrCorrupt, t)
		}
		u, width := residual(t)
		low, err := g.extra.read(width)
		if err != nil {
			return err
		}
		d.u[i] = u | low
	}
	return nil
}

func (d *Decoder) restoreClocks(c *Columns) {
	for k := range clockColumns {
		l := d.clocked[k]
		if l.full {
			continue
		}
		for i, off := range d.clock[k] {
			setClock(c, k, i, l.first+uint64(i)*l.stride+uint64(int64(off)))
		}
	}
}

func (d *Decoder) restoreGaps(c *Columns) {
	for s := clockColumns; s < len(d.series); s++ {
		column := c.Counts[s-clockColumns]
		for _, g := range d.series[s].gaps {
			for i := g.from; i < g.to; i++ {
				column[i] = drivers.NoReading
			}
		}
	}
}
