package study

import (
	"fmt"
	"io"
	"slices"
	"strconv"
)

func size(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }

func (s Share) String() string {
	return fmt.Sprintf("%.1f %% (%.1f to %.1f)", 100*s.Part(), 100*s.Low, 100*s.High)
}

// Write prints the study as Markdown tables.
func (t *Tally) Write(w io.Writer) {
	fmt.Fprint(w, "## What was found\n\nHeld back: the run did not end well, the verdict was no pass, or a cell was odd. Named: the right\n"+
		"cells were named. Intervals are exact binomial ones at 95 %. Found from: the size from which on at\nleast 99 % of each range were held back, with the share of all from there on.\n\n")
	fmt.Fprint(w, "| defect | sizes | modules | held back | named | found from | share from there on |\n|---|---|---|---|---|---|---|\n")
	curves := t.Curves()
	for _, c := range curves {
		sizes, from, above := "-", "-", "-"
		if c.Least != c.Most {
			sizes = fmt.Sprintf("%s to %s %s", size(c.Least), size(c.Most), c.Unit)
		}
		if c.Smallest > 0 {
			from, above = size(c.Smallest)+" "+c.Unit, c.Above.String()
		}
		named := c.All.Named.String()
		if c.Name == "none" {
			named = "-"
		}
		fmt.Fprintf(w, "| %s: %s | %s | %d | %s | %s | %s | %s |\n", c.Name, c.About, sizes, c.All.Held.Of, c.All.Held, named, from, above)
	}
	t.writeSizes(w, curves)
	t.writeIntervals(w)
	for _, u := range t.FalseAlarms() {
		fmt.Fprintf(w, "\nGood module of seed %d, held back: %s\n", u.Seed, u.Why)
	}
}

func (t *Tally) writeSizes(w io.Writer, curves []Curve) {
	if !slices.ContainsFunc(curves, func(c Curve) bool { return len(c.Bands) > 0 }) {
		return
	}
	fmt.Fprint(w, "\n## By size\n\nPart held back, and part where the right cell was named, of the defects in each tenth of the range.\n\n")
	for _, c := range curves {
		if len(c.Bands) == 0 {
			continue
		}
		fmt.Fprintf(w, "%s, %s:\n\n| from | to | modules | held back | named |\n|---|---|---|---|---|\n", c.Name, c.Unit)
		for _, b := range c.Bands {
			fmt.Fprintf(w, "| %s | %s | %d | %s | %s |\n", size(b.From), size(b.To), b.Held.Of, b.Held, b.Named)
		}
		fmt.Fprintln(w)
	}
}

func (t *Tally) writeIntervals(w io.Writer) {
	list := t.Coverages()
	if len(list) == 0 {
		return
	}
	fmt.Fprint(w, "## How often a stated interval held the truth\n\n95 % are stated. Mean error: of value less truth, in half widths.\n\n| figure | modules | held | mean error |\n|---|---|---|---|\n")
	for _, c := range list {
		fmt.Fprintf(w, "| %s | %d | %s | %.2f |\n", c.Figure, c.Held.Of, c.Held, c.Bias)
	}
}
