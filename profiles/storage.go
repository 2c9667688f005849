package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
)

// storageMin and storageMax are the state of charge to store lithium cells at
// where a module's file does not say (common practice, no source).
const storageMin, storageMax Ppm = 300_000, 500_000

// toStorage is what a file writes for a charge counted to the storage level.
const toStorage = "to storage"

// level is a state of charge that the code knows by what it has just done, and
// not by a voltage, which tells little of it.
type level uint8

const (
	anyLevel   level = iota
	fullLevel        // a charge ended by its taper
	emptyLevel       // a discharge ended at a cell's voltage
)

// after is the level behind a drive.
func (d *DriveSpec) after() level {
	switch {
	case d.For > 0 || d.Counted > 0 || d.Fraction > 0 || d.Storage:
		return anyLevel // it may end by these
	case d.Charge && d.Taper.given():
		return fullLevel
	case !d.Charge && d.CellEnd > 0:
		return emptyLevel
	}
	return anyLevel
}

// stored is the charge from the present level to the middle of the module's
// storage range.
func (c *compiler) stored(s *StepSpec, d *DriveSpec) drivers.Charge {
	middle := (c.m.StorageMin + c.m.StorageMax) / 2
	share := middle
	switch {
	case !d.Charge && c.level == fullLevel:
		share = 1_000_000 - middle
	case d.Charge && c.level == emptyLevel:
	default:
		c.r.Add(or(s.at["counted"], s.Pos), "counted: "+toStorage+" from a state of charge that nobody knows here",
			"discharge right after a charge that ends by its taper, or charge right after a discharge that ends by cell_end")
	}
	return drivers.Charge(mulDiv(int64(c.m.Rated), share, 1_000_000))
}

// EndsStored says that the profile leaves the module at its storage level: the
// last thing that moves charge in it is counted to there.
func (p *Profile) EndsStored() bool {
	for i := len(p.Steps) - 1; i >= 0; i-- {
		switch s := &p.Steps[i]; s.Kind {
		case "charge", "discharge":
			return s.Drive.Storage
		case "pulse", "balance", "repeat", "prove":
			return false
		}
	}
	return false
}
