package pack

import (
	"errors"
	"fmt"
	"math"
)

// Layout says how modules are connected and what they go through.
type Layout struct {
	// Strings are in parallel, with Series modules in series each.
	Strings, Series int
	// ParallelFirst connects Strings modules in parallel to a group and Series groups
	// in series, instead of whole strings in parallel.
	ParallelFirst bool
	// Gradient is how much warmer the worst-cooled of the parallel places is than the
	// best-cooled one, K; PerKelvin is by what share resistance changes with each
	// kelvin, with the half width of its interval.
	Gradient, PerKelvin, PerKelvinWithin float64
	// Standing is how long the pack stands without being balanced, h: modules in
	// series then differ by what they discharged themselves.
	Standing float64
	// ModuleAmps is what one module gives at most, A; 0: not known.
	ModuleAmps float64
}

// Bounds of what is planned.
const (
	stringsMost = 64
	placesMost  = 1000
)

func (l *Layout) check(modules int) error {
	need := l.Strings * l.Series
	switch {
	case l.Strings < 1 || l.Strings > stringsMost || l.Series < 1 || l.Series > placesMost || need > placesMost:
		return fmt.Errorf("%d strings of %d modules; 1 to %d strings and at most %d modules would be right", l.Strings, l.Series, stringsMost, placesMost)
	case modules < need:
		return fmt.Errorf("%d strings of %d need %d modules; there are %d", l.Strings, l.Series, need, modules)
	case modules > placesMost:
		return fmt.Errorf("%d modules to choose from; at most %d would be right", modules, placesMost)
	case !(l.Gradient >= 0) || l.Gradient > 40:
		return errors.New("places differ by 0 to 40 K")
	case !(math.Abs(l.PerKelvin)+l.PerKelvinWithin <= 0.04) || !(l.PerKelvinWithin >= 0):
		return errors.New("resistance changes by at most 4 % a kelvin")
	case !(l.Standing >= 0) || math.IsInf(l.Standing, 0):
		return errors.New("a pack stands for 0 h or longer")
	case !(l.ModuleAmps >= 0):
		return errors.New("a module gives 0 A or more")
	}
	return nil
}

// sets is how many sets of modules there are and how many are in each: strings, or
// groups.
func (l *Layout) sets() (count, size int) {
	if l.ParallelFirst {
		return l.Series, l.Strings
	}
	return l.Strings, l.Series
}

// warmth is by what factor the resistance at each of the parallel places differs
// from the mean: the first is the best-cooled, the last the worst-cooled.
func (l *Layout) warmth(perKelvin float64) []float64 {
	out := make([]float64, l.Strings)
	for i := range out {
		out[i] = 1
		if l.Strings > 1 {
			out[i] += perKelvin * l.Gradient * (float64(i)/float64(l.Strings-1) - 0.5)
		}
	}
	return out
}

// labelled says whether the parallel places differ.
func (l *Layout) labelled() bool { return l.Gradient != 0 && l.PerKelvin != 0 && l.Strings > 1 }
