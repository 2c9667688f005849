package study

import (
	"math"
	"math/rand/v2"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Kind is a kind of hidden defect, drawn evenly in the logarithm of its size
// from Least to Most.
type Kind struct {
	Name  string `json:"name"`
	About string `json:"about"`
	// Unit of the size; Least and Most are in it. Both are 1 where the defect has
	// no size.
	Unit  string  `json:"unit"`
	Least float64 `json:"least"`
	Most  float64 `json:"most"`
	// rest says that the module is looked at by a long rest near full in place of the
	// study's profile.
	rest bool
	// put makes the defect of that size at a cell, and says which cells a good
	// finding names; none where it is the module's.
	put func(d *draw, size float64, cell int) (named []int)
}

// draw is a trial as it is drawn.
type draw struct {
	rng    *rand.Rand
	study  *Study
	config *virtual.Config
	// crossed is the sense wire, from 1, that changed places with the next one up.
	crossed int
	lacks   []lack
}

// lack is a cell that holds less than the mean of its lot, by that part of it.
type lack struct {
	cell int
	part float64
}

func (d *draw) defect(k plant.DefectKind, cell int, amount, above float64) {
	d.config.Article.Defects = append(d.config.Article.Defects, plant.Defect{Kind: k, Cell: cell, Amount: amount, Above: above})
}

func (d *draw) fault(f virtual.Fault) {
	f.When = virtual.Trigger{On: virtual.AfterStart}
	f.Sensor = virtual.Anywhere
	d.config.Faults = append(d.config.Faults, f)
}

// tapToTap is a good group's resistance between its sense wires, Ohm.
func (s *Study) tapToTap() float64 { return float64(s.Module.CellResistance) / 1e6 }

// Kinds are the kinds of defect that a study draws, and none.
func Kinds() []Kind { return slices.Concat(built(), wired()) }

// built are good modules and those with defects of what was built.
func built() []Kind {
	return []Kind{
		{Name: "none", About: "a good module", Unit: "", Least: 1, Most: 1,
			put: func(*draw, float64, int) []int { return nil }},
		{Name: "joint", About: "a weld with more resistance, part of tap to tap", Unit: "%", Least: 2, Most: 50,
			put: func(d *draw, size float64, cell int) []int {
				d.defect(plant.BadJoint, cell, size/100*d.study.tapToTap(), 0)
				return []int{cell}
			}},
		{Name: "terminal", About: "a terminal with more resistance, part of one group's tap to tap", Unit: "%", Least: 2, Most: 100,
			put: func(d *draw, size float64, _ int) []int {
				d.defect(plant.BadTerminal, 0, size/100*d.study.tapToTap(), 0)
				return nil
			}},
		{Name: "joint by current", About: "a weld that lets go above half of the pulse's current, part of tap to tap", Unit: "%", Least: 2, Most: 50,
			put: func(d *draw, size float64, cell int) []int {
				d.defect(plant.LooseJoint, cell, size/100*d.study.tapToTap(), d.study.pulse/2)
				return []int{cell}
			}},
		{Name: "joint by warmth", About: "a weld that lets go half a kelvin above the room, part of tap to tap", Unit: "%", Least: 2, Most: 50,
			put: func(d *draw, size float64, cell int) []int {
				d.defect(plant.WarmJoint, cell, size/100*d.study.tapToTap(), float64(d.config.Article.Ambient)/1e3+0.5)
				return []int{cell}
			}},
		{Name: "open pouch", About: "one pouch of a pair that was not joined", Unit: "", Least: 1, Most: 1,
			put: func(d *draw, _ float64, cell int) []int {
				d.defect(plant.OpenPouch, cell, 1-1/float64(max(d.study.Module.Parallel, 2)), 0)
				return []int{cell}
			}},
		{Name: "weak cell", About: "a group that holds less than the mean of its lot", Unit: "%", Least: 1, Most: 10,
			put: func(d *draw, size float64, cell int) []int {
				d.lacks = append(d.lacks, lack{cell, size / 100})
				return []int{cell}
			}},
		{Name: "leak", About: "a group that loses charge at any time", Unit: "mA", Least: 20, Most: 4000, put: leaking},
		{Name: "leak at rest", About: "the same, after two hours of rest near full", Unit: "mA", Least: 0.5, Most: 100, rest: true, put: leaking},
		{Name: "none at rest", About: "a good module, after two hours of rest near full", Unit: "", Least: 1, Most: 1, rest: true,
			put: func(*draw, float64, int) []int { return nil }},
		{Name: "joint and weak cell", About: "a weld of that much more resistance and, elsewhere, a group that holds 5 % less than its lot", Unit: "%", Least: 2, Most: 50,
			put: func(d *draw, size float64, cell int) []int {
				d.defect(plant.BadJoint, cell, size/100*d.study.tapToTap(), 0)
				other := (cell + 1 + d.rng.IntN(d.study.Module.Series-1)) % d.study.Module.Series
				d.lacks = append(d.lacks, lack{other, 0.05})
				return []int{cell, other}
			}},
	}
}

func leaking(d *draw, size float64, cell int) []int {
	d.defect(plant.LeakingCell, cell, size/1000, 0)
	return []int{cell}
}

// wired are modules whose sense wires or taps are not what they should be.
func wired() []Kind {
	return []Kind{
		{Name: "crossed wires", About: "two neighbouring sense wires exchanged", Unit: "", Least: 1, Most: 1,
			put: func(d *draw, _ float64, cell int) []int {
				d.crossed = min(cell, d.study.Module.Series-2) + 1
				return nil // the whole wiring is in doubt
			}},
		{Name: "exchanged labels", About: "two channels under each other's number: nothing but a hand meter at a named cell tells", Unit: "", Least: 1, Most: 1,
			put: func(d *draw, _ float64, cell int) []int {
				d.fault(virtual.Fault{Kind: virtual.TapsSwapped, Cell: min(cell, d.study.Module.Series-2)})
				return nil
			}},
		{Name: "tap error", About: "a tap that reads high or low, in declared accuracies", Unit: "accuracies", Least: 0.5, Most: 3,
			put: func(d *draw, size float64, cell int) []int {
				off := drivers.Microvolts(math.Round(size * float64(d.config.Bench.Monitor.CellAccuracy.At(3_300_000))))
				if d.rng.IntN(2) == 1 {
					off = -off
				}
				d.fault(virtual.Fault{Kind: virtual.TapReadsLow, Cell: cell, Voltage: off})
				return []int{cell}
			}},
		{Name: "loose sense wire", About: "a tap with noise, standard deviation in declared accuracies", Unit: "accuracies", Least: 0.5, Most: 10,
			put: func(d *draw, size float64, cell int) []int {
				d.fault(virtual.Fault{Kind: virtual.TapNoisy, Cell: cell,
					Voltage: drivers.Microvolts(math.Round(size * float64(d.config.Bench.Monitor.CellAccuracy.At(3_300_000))))})
				return []int{cell}
			}},
	}
}

// KindOf returns the kind of that name.
func KindOf(name string) (Kind, bool) {
	for _, k := range Kinds() {
		if k.Name == name {
			return k, true
		}
	}
	return Kind{}, false
}

// size draws a size, evenly in its logarithm.
func (k *Kind) size(r *rand.Rand) float64 {
	if k.Least == k.Most {
		return k.Least
	}
	return k.Least * math.Exp(r.Float64()*math.Log(k.Most/k.Least))
}
