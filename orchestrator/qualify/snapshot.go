package qualify

import (
	"math"

	"github.com/rigwarden/rigwarden/drivers"
)

// snapshot is the article at one instant of a pulse, in A and V.
type snapshot struct {
	i, v  float64
	vOK   bool
	cells []float64 // NaN where there is no reading
}

func (x *snapshot) take(s *scanner, now *reading, counts []int32, fresh bool) {
	x.i, x.v, x.vOK = now.i, now.v, now.vOK && fresh
	for c := range x.cells {
		x.cells[c] = math.NaN()
		if counts[c] != drivers.NoReading {
			x.cells[c] = s.value(c, counts[c])
		}
	}
}

func (x *snapshot) copy(y *snapshot) {
	x.i, x.v, x.vOK = y.i, y.v, y.vOK
	copy(x.cells, y.cells)
}

// between sets x to the interpolation of a and b, w of the way.
func (x *snapshot) between(a, b *snapshot, w float64) {
	x.i, x.v, x.vOK = a.i+w*(b.i-a.i), a.v+w*(b.v-a.v), a.vOK && b.vOK
	for c := range x.cells {
		x.cells[c] = a.cells[c] + w*(b.cells[c]-a.cells[c])
	}
}
