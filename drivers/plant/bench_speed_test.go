package plant

import (
	"testing"

	"github.com/rigwarden/rigwarden/drivers"
)

// BenchmarkDay is a virtual day of a 24-cell module at 10 frames a second, with
// everything switched on: charge, rest, discharge, bleeding.
func BenchmarkDay(b *testing.B) {
	for b.Loop() {
		bench := benchOf(b, 1, 0.5)
		closeUp(bench)
		const frames = 864_000
		for n := range frames {
			if n%9000 == 0 {
				switch n / 9000 % 4 {
				case 0:
					bench.SetSupply(Source{Current: 20, Voltage: 24 * 3.4, Slew: 100})
				case 1, 3:
					bench.SetSupply(Source{})
					bench.SetLoad(Source{})
					bench.Module().SetBleed(n/9000%24, true)
				case 2:
					bench.SetLoad(Source{Current: 20, Voltage: 24 * 2.8, Slew: 100})
				}
			}
			bench.Advance(100 * drivers.Millisecond)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/864_000/24, "ns/cell-step")
}

func BenchmarkNormal(b *testing.B) {
	r := NewRand(1, 1)
	sum := 0.0
	for b.Loop() {
		sum += r.Normal()
	}
	_ = sum
}

func BenchmarkExp(b *testing.B) {
	x, sum := -1.0, 0.0
	for b.Loop() {
		sum += Exp(x)
	}
	_ = sum
}
