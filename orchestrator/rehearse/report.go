package rehearse

import (
	"cmp"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// Write prints the summary for people.
func (s *Summary) Write(w io.Writer) {
	if s.Runs == 0 {
		fmt.Fprintln(w, "no run was finished")
		return
	}
	fmt.Fprintf(w, "%d runs, seeds %d to %d, %.1f h of rig time; %d with several faults at once, %d processes killed\n",
		s.Runs, s.First, s.Last, float64(s.RigTime)/float64(drivers.Hour), s.Double, s.Killed)
	columns(w, "faults drawn", s.Faults)
	columns(w, "trips by cause", s.Trips)
	columns(w, "runs under faults ended", s.Outcomes)
	columns(w, "runs after the repair ended", s.Next)
	fmt.Fprintf(w, "from a true violation to no true current: %s\n", s.ToZero)
	fmt.Fprintf(w, "from a trip to no true current:           %s\n", s.TripZero)
	fmt.Fprintf(w, "greatest sensor error that nobody noticed: cell %s, hottest or coldest temperature %s; a single thermometer %s\n",
		s.CellError.of(1e3, "mV"), s.TempError.of(1e3, "K"), s.Thermometer.of(1e3, "K"))
	s.writeRoom(w)
	if len(s.Beyond) > 0 {
		columns(w, "left to hardware, or done by several faults at once", s.Beyond)
	}
	s.writePairs(w)
	fmt.Fprintf(w, "false trips: %d%s\n", len(s.False), seeds(s.False))
	fmt.Fprintf(w, "missed trips: %d%s\n", len(s.Missed), seeds(s.Missed))
	findings(w, "ends that the truth does not bear out", s.Unfounded)
	findings(w, "sensor errors unnoticed beyond the allowance", s.Unnoticed)
	findings(w, "violations", s.Violations)
}

// findings prints how many there are, and the first of them.
func findings(w io.Writer, title string, list []Found) {
	fmt.Fprintf(w, "%s: %d\n", title, len(list))
	for i, v := range list {
		if i == printedMost {
			fmt.Fprintf(w, "  and %d more\n", len(list)-i)
			break
		}
		fmt.Fprintf(w, "  seed %d: %s\n", v.Seed, v.Text)
	}
}

// writePairs prints what was covered of several faults in one run: how many runs,
// and in how many of these something came of it.
func (s *Summary) writePairs(w io.Writer) {
	if len(s.Pairs) == 0 {
		return
	}
	fmt.Fprintln(w, "several faults in one run, by their classes (in how many something came of it):")
	names := slices.Sorted(maps.Keys(s.Pairs))
	for i := 0; i < len(names); i += 3 {
		var line strings.Builder
		for _, n := range names[i:min(i+3, len(names))] {
			p := s.Pairs[n]
			count := fmt.Sprint(p.Runs)
			if p.Beyond > 0 {
				count += fmt.Sprintf(" (%d)", p.Beyond)
			}
			fmt.Fprintf(&line, "  %-8s %-22s", count, n)
		}
		fmt.Fprintln(w, strings.TrimRight(line.String(), " "))
	}
}

// of prints an extreme that is 0 where there is none.
func (e Extreme) of(per float64, unit string) string {
	if e.Value == 0 {
		return "none"
	}
	return fmt.Sprintf("%.1f %s (seed %d)", float64(e.Value)/per, unit, e.Seed)
}

// writeRoom prints how near the truth came to the maker's limits, and how far
// beyond them it went.
func (s *Summary) writeRoom(w io.Writer) {
	figure := func(key string, v int64, format string) (name, value string) {
		at := strings.LastIndex(key, "_")
		u := scaleOf[key[at+1:]]
		return key[:at], fmt.Sprintf(format+" %s", float64(v)/u.per, u.unit)
	}
	fmt.Fprintln(w, "least room that software left to the maker's limits, of any true cell:")
	for _, key := range slices.Sorted(maps.Keys(s.Worst)) {
		name, value := figure(key, s.Worst[key].Value, "%9.3f")
		fmt.Fprintf(w, "  %-14s %s (seed %d)\n", name, value, s.Worst[key].Seed)
	}
	if len(s.Outside) == 0 {
		fmt.Fprintln(w, "worst excursion beyond the maker's limits, of any true cell: none")
		return
	}
	fmt.Fprintln(w, "worst excursion beyond the maker's limits, of any true cell, whatever did it:")
	for _, key := range slices.Sorted(maps.Keys(s.Outside)) {
		e := s.Outside[key]
		name, value := figure(key, e.Beyond, "%9.3f")
		fmt.Fprintf(w, "  %-14s %s (seed %d)\n", name, value, e.Seed)
	}
}

// printedMost is how many violations people are shown.
const printedMost = 20

var scaleOf = map[string]struct {
	per  float64
	unit string
}{"uV": {1e6, "V"}, "mK": {1e3, "K"}, "uA": {1e6, "A"}}

func (d Distribution) String() string {
	if d.Count == 0 {
		return "never"
	}
	ms := func(s drivers.Span) int64 { return int64(s / drivers.Millisecond) }
	return fmt.Sprintf("%d times, p50 %d ms, p99 %d ms, most %d ms (seed %d)", d.Count, ms(d.P50), ms(d.P99), ms(d.Max), d.Seed)
}

func seeds(list []uint64) string {
	if len(list) == 0 {
		return ""
	}
	return fmt.Sprintf(" (seeds %s)", strings.Trim(fmt.Sprint(list[:min(len(list), printedMost)]), "[]"))
}

// columns prints counts, the most frequent first.
func columns(w io.Writer, title string, counts map[string]int) {
	names := slices.SortedFunc(maps.Keys(counts), func(a, b string) int {
		return cmp.Or(counts[b]-counts[a], strings.Compare(a, b))
	})
	fmt.Fprintf(w, "%s:\n", title)
	for i := 0; i < len(names); i += 3 {
		var line strings.Builder
		for _, n := range names[i:min(i+3, len(names))] {
			fmt.Fprintf(&line, "  %6d %-24s", counts[n], n)
		}
		fmt.Fprintln(w, strings.TrimRight(line.String(), " "))
	}
}
