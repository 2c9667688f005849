package pack

// source is a branch as the simulation sees it: a voltage that follows the curve,
// shifted by what was measured, behind a resistance.
type source struct {
	curve    Curve
	series   float64
	shift    float64 // V
	capacity float64 // A.s
	ohms     float64
	soc      float64 // at the beginning
}

// source stands the branch at a state of charge and at a voltage.
func (b *Branch) source(soc, volts, ohms float64) source {
	n := float64(b.Series)
	return source{b.Curve, n, volts - n*b.Curve.Voltage(soc), b.Capacity * 3600, ohms, soc}
}

func (s *source) volts(soc float64) float64 { return s.series*s.curve.Voltage(soc) + s.shift }

// settled is the voltage at which all sources come to rest on each other, V: the
// one that conserves charge. It does not depend on any resistance.
func settled(sources []source) float64 {
	low, high := sources[0].volts(sources[0].soc), sources[0].volts(sources[0].soc)
	for i := range sources {
		v := sources[i].volts(sources[i].soc)
		low, high = min(low, v), max(high, v)
	}
	for range 200 {
		mid := (low + high) / 2
		if mid == low || mid == high {
			break
		}
		moved := 0.0
		for i := range sources {
			moved += sources[i].taken(mid)
		}
		if moved > 0 {
			high = mid
		} else {
			low = mid
		}
	}
	return (low + high) / 2
}

// taken is the charge that brings the source to a voltage, A.s; negative where it
// gives.
func (s *source) taken(volts float64) float64 {
	return (s.curve.SoC((volts-s.shift)/s.series) - s.soc) * s.capacity
}
