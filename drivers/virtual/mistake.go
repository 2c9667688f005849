package virtual

import (
	"math"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// Articles that are not what the file says: the bench carries another one than
// Config.Article describes, from its start until it is exchanged.

// chemistries are those that an article can have.
var chemistries = []string{"LFP", "NMC", "LIC"}

// mistakes are the kinds of fault that make another article.
var mistakes = []FaultKind{WrongCount, WrongChemistry, WrongSize, WrongMaker}

// mistaken is the article that the configured faults put on the bench.
func (c *Config) mistaken() Article {
	a := c.Article
	for i := range c.Faults {
		switch f := &c.Faults[i]; f.Kind {
		case WrongCount:
			a.Series = max(1, a.Series+int(f.Count))
		case WrongChemistry:
			a.Chemistry, a.SoC = f.Chemistry, float64(f.SoCPPM)/1e6
		case WrongSize:
			a.Capacity = max(drivers.AmpereHour/1000, drivers.Charge(float64(a.Capacity)*sizeOf(f)))
		}
	}
	a.Defects = slices.DeleteFunc(slices.Clone(a.Defects), func(d plant.Defect) bool { return d.Cell >= a.Series && d.Cell < c.Article.Series })
	return a
}

func sizeOf(f *Fault) float64 { return 1 + float64(f.GainPPM)/1e6 }

// chemistryLimits are what a maker of such cells allows, with currents per
// ampere of the rated one (common practice, no source; those of LFP and of the
// capacitor as in the shipped module files).
var chemistryLimits = map[string]struct {
	max, min          drivers.Microvolts
	charge, discharge float64
}{
	"LFP": {3_650_000, 2_000_000, 1.5, 3},
	"NMC": {4_250_000, 2_500_000, 1, 2},
	"LIC": {3_800_000, 2_200_000, 100, 100},
}

// trueLimits are those of the article that is on the bench, where the given ones
// are those of the article that the file speaks of. A limit that nobody watches
// stays unwatched.
func (b *Bench) trueLimits(l TruthLimits) TruthLimits {
	scale := func(i *drivers.Microamps, by float64) {
		if *i > 0 {
			*i = max(1, drivers.Microamps(math.Floor(float64(*i)*by)))
		}
	}
	// In the order in which one decides about the other: chemistry, size, maker.
	for _, kind := range mistakes {
		for i := range b.mistakes {
			f := &b.mistakes[i]
			if f.Kind != kind {
				continue
			}
			switch kind {
			case WrongChemistry:
				own := chemistryLimits[f.Chemistry]
				amps := float64(b.cfg.Article.Capacity) / float64(drivers.AmpereHour) * 1e6
				if l.CellMax > 0 {
					l.CellMax = own.max
				}
				if l.CellMin > 0 {
					l.CellMin = own.min
				}
				if l.Charge > 0 {
					l.Charge = drivers.Microamps(amps * own.charge)
				}
				if l.Discharge > 0 {
					l.Discharge = drivers.Microamps(amps * own.discharge)
				}
			case WrongSize:
				scale(&l.Charge, sizeOf(f))
				scale(&l.Discharge, sizeOf(f))
			case WrongMaker:
				if l.CellMax > 0 {
					l.CellMax -= f.Voltage
				}
				if l.CellMin > 0 {
					l.CellMin += f.Voltage
				}
			}
		}
	}
	return l
}

// tap is what lies across a cell's input: one without a cell is tied to its
// neighbour, as a board of fewer cells has it, and reads nothing.
func (m *monitor) tap(k int) float64 {
	if k >= m.b.module.Len() {
		return 0
	}
	return m.b.module.Tap(k)
}
