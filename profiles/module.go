package profiles

import "github.com/rigwarden/rigwarden/drivers"

// Ppm is a ratio in parts per million: 3 % is 30 000.
type Ppm = int64

// Module is what was built: one registered module, as its file tells it.
type Module struct {
	Serial    string // "KW-01"
	Title     string
	Chemistry string // LFP, NMC, LTO, ...
	Series    int    // cell groups in series
	Parallel  int    // cells in each group
	// Rated is the rated capacity of the module, Nominal the nominal voltage of
	// a cell.
	Rated   drivers.Charge
	Nominal drivers.Microvolts
	// CellResistance is the resistance of one cell group with its joint, a
	// starting value for control and prediction.
	CellResistance drivers.Microohms
	// Maker are the cell maker's absolute limits, Limits the working limits of
	// this module: the guard trips at those.
	Maker  Maker
	Limits LimitSet
	// StorageMin and StorageMax is the state of charge to store the module at.
	StorageMin, StorageMax Ppm
	// OCV is the open-circuit voltage of a cell by rising state of charge, from
	// 0 to 1 000 000 ppm.
	OCV []OCVPoint
	// Sensors says which cell (from 0) each temperature sensor sits at.
	Sensors []int
	// HeatCapacity of one cell group in mJ/K, NeighbourConductance between two
	// neighbouring groups in mW/K: for the gradient to cells without a sensor.
	HeatCapacity         int64
	NeighbourConductance int64
	Permits              Permits
	// Digest is the SHA-256 of the file's text, in hex.
	Digest string
	// File is the name the text was parsed under.
	File string
	at   map[string]Pos
}

// OCVPoint is one point of the open-circuit voltage over the state of charge.
type OCVPoint struct {
	SoC     Ppm
	Voltage drivers.Microvolts
}

// Maker are the cell maker's limits, of a cell for voltages and of the whole
// group for currents. No true cell may ever leave them.
type Maker struct {
	CellMax, CellMin drivers.Microvolts
	// NoCharge is the voltage under which a cell is never charged again.
	NoCharge                drivers.Microvolts
	ChargeMax, DischargeMax drivers.Microamps
	// Temperature ranges by direction.
	ChargeTempMin, ChargeTempMax       drivers.Millikelvins
	DischargeTempMin, DischargeTempMax drivers.Millikelvins
	// ChargeTable lowers ChargeMax by temperature; rows by rising temperature.
	ChargeTable []TempCurrent
}

// TempCurrent allows Current at temperatures from Temp up to the next row.
type TempCurrent struct {
	Temp    drivers.Millikelvins
	Current drivers.Microamps
}

// LimitSet are limits that a module, a bench or a profile sets; 0 stands for
// "says nothing". The tightest of all wins (INV-10).
type LimitSet struct {
	CellMax, CellMin                   drivers.Microvolts
	ChargeMax, DischargeMax            drivers.Microamps
	ChargeTempMin, ChargeTempMax       drivers.Millikelvins
	DischargeTempMin, DischargeTempMax drivers.Millikelvins
	// SoftTemp pauses the run until it is SoftHysteresis cooler.
	SoftTemp       drivers.Millikelvins
	SoftHysteresis drivers.Millikelvins
	at             map[string]Pos
}

// Permits are things the cell maker allows after a breach (INV-10).
type Permits struct {
	// RecoverLow and RecoverHigh allow an attended step at up to
	// RecoveryCurrent away from the lower or upper voltage limit.
	RecoverLow, RecoverHigh bool
	RecoveryCurrent         drivers.Microamps
}

// ParseModule reads a module file; name appears in the problems.
func ParseModule(name string, src []byte) (*Module, []Problem) { return nil, nil }
