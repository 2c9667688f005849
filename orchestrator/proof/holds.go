package proof

import (
	"fmt"
	"maps"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// Demand is what a run asks of a proof before nobody is beside it.
type Demand struct {
	BenchDigest, ModuleDigest string
	// Maps are the digests of what the bench file's dialects and maps say, by the
	// instrument's role.
	Maps   map[string]string
	Within drivers.Span
	Now    drivers.Instant
}

// Lacks says why the report is no proof for the demand; empty: it is one. A proof
// belongs to the very bench file, module file and instruments' maps that it was made
// with: whatever changes in one of them, wiring and firmware among them, ends it.
func (d Demand) Lacks(r *Report) string {
	age := d.Now.Sub(r.At)
	switch {
	case r.Verdict != Pass:
		return fmt.Sprintf("the verdict of run %s is %s", r.Run, r.Verdict)
	case len(r.Missing) > 0:
		return fmt.Sprintf("run %s has no row for %s", r.Run, r.Missing[0])
	case r.BenchDigest == "" || r.BenchDigest != d.BenchDigest:
		return fmt.Sprintf("run %s was made with another bench file", r.Run)
	case r.ModuleDigest != d.ModuleDigest:
		return fmt.Sprintf("run %s was made with another file of this module", r.Run)
	case !maps.Equal(r.Maps, d.Maps):
		return fmt.Sprintf("run %s was made with another dialect or map of an instrument", r.Run)
	case age < 0:
		return fmt.Sprintf("run %s lies in the future: a clock was set back", r.Run)
	case age > d.Within:
		return fmt.Sprintf("run %s is %s old, and %s is the most", r.Run, days(age), days(d.Within))
	}
	return ""
}

func days(s drivers.Span) string {
	const day = 24 * time.Hour
	t := time.Duration(s) * time.Microsecond
	if t < 2*day {
		return fmt.Sprintf("%.0f h", t.Hours())
	}
	return fmt.Sprintf("%.1f days", t.Hours()/24)
}
