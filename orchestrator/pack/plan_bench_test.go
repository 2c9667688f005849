package pack

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// A whole plan, of strings and of groups. The part of the ceiling that is reached
// is told beside the time.
func BenchmarkPlan(b *testing.B) {
	for _, x := range []struct{ strings, series, modules int }{{2, 4, 10}, {4, 12, 50}, {10, 30, 320}} {
		for _, first := range []bool{false, true} {
			b.Run(fmt.Sprintf("%dx%d of %d, parallel first %v", x.strings, x.series, x.modules, first), func(b *testing.B) {
				list := lot(rand.New(rand.NewPCG(7, 7)), x.modules)
				part := 0.0
				for b.Loop() {
					p, err := Choose(list, Layout{Strings: x.strings, Series: x.series, ParallelFirst: first}, Options{Seed: 1, Draws: 1000})
					if err != nil {
						b.Fatal(err)
					}
					part = p.OfCeiling
				}
				b.ReportMetric(100*part, "%ofceiling")
			})
		}
	}
}
