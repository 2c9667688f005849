package record

import (
	"math"
	"slices"
)

// label is a text at the end of a line, at the height where the line ends.
type label struct {
	y float64
	s string
}

// apart moves labels up and down as little as is needed for them to be gap
// apart, inside top to bottom; labels that do not fit are left out from the end
// of the list: the first are the most important.
func apart(labels []label, gap, top, bottom float64) []label {
	if most := int((bottom-top)/gap) + 1; len(labels) > most {
		labels = labels[:max(most, 0)]
	}
	out := slices.Clone(labels)
	slices.SortStableFunc(out, func(a, b label) int {
		switch {
		case a.y < b.y:
			return -1
		case a.y > b.y:
			return 1
		}
		return 0
	})
	for i := range out {
		out[i].y = math.Min(math.Max(out[i].y, top), bottom)
		if i > 0 {
			out[i].y = math.Max(out[i].y, out[i-1].y+gap)
		}
	}
	for i := len(out) - 1; i >= 0; i-- {
		limit := bottom
		if i < len(out)-1 {
			limit = out[i+1].y - gap
		}
		out[i].y = math.Min(out[i].y, limit)
	}
	return out
}
