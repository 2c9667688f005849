package block

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

var benchSignals = []signal{
	{cells: 24, frames: 6000, noise: 0.5},
	{cells: 24, frames: 6000, noise: 1},
	{cells: 24, frames: 6000, noise: 1.5},
	{cells: 24, frames: 600, noise: 1},
	{cells: 24, frames: 5, noise: 1},
	{cells: 24, frames: 6000, noise: 1, pulsed: true},
	{cells: 24, frames: 6000, noise: 0.5, pulsed: true},
	{cells: 512, frames: 6000, noise: 1},
}

func (s signal) String() string {
	pulsed := "slow"
	if s.pulsed {
		pulsed = "pulsed"
	}
	return fmt.Sprintf("cells=%d/frames=%d/noise=%g/%s", s.cells, s.frames, s.noise, pulsed)
}

// BenchmarkEncode prints, beside the time, bits per cell sample, their Shannon
// bound and the ratio, and millions of samples a second.
func BenchmarkEncode(b *testing.B) {
	for _, s := range benchSignals {
		b.Run(s.String(), func(b *testing.B) {
			c, bound := s.columns(1)
			e := NewEncoder(s.cells)
			out, err := e.Encode(nil, c)
			require.NoError(b, err)
			b.ReportAllocs()
			for b.Loop() {
				out, err = e.Encode(out[:0], c)
			}
			require.NoError(b, err)
			samples := float64(s.cells * s.frames)
			b.ReportMetric(float64(8*len(out))/samples, "bit/sample")
			b.ReportMetric(float64(8*len(out))/bound, "x_bound")
			b.ReportMetric(float64((s.cells+1)*s.frames)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msample/s")
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	for _, s := range benchSignals {
		b.Run(s.String(), func(b *testing.B) {
			c, _ := s.columns(1)
			out, err := NewEncoder(s.cells).Encode(nil, c)
			require.NoError(b, err)
			var d Decoder
			var got Columns
			require.NoError(b, d.Decode(out, &got))
			b.ReportAllocs()
			for b.Loop() {
				err = d.Decode(out, &got)
			}
			require.NoError(b, err)
			b.ReportMetric(float64((s.cells+1)*s.frames)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msample/s")
		})
	}
}
