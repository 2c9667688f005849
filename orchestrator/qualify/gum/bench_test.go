package gum_test

import (
	"testing"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
)

// One interval of a cell's resistance: two accuracies, two steps, noise of few
// readings.
func BenchmarkInterval(b *testing.B) {
	v := gum.New(1.5, gum.Rectangular("shunt", 0.002), gum.Rectangular("tap", 0.001), gum.Rectangular("edge", 0.001), gum.Normal("noise", 0.001, 14))
	for b.Loop() {
		v.Spread().Interval()
	}
}
