package profiles

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

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
	// TerminalResistance is what lies between the outermost taps and the places
	// where the meter reads, both ends together; 0: it reads at the taps.
	TerminalResistance drivers.Microohms
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

	at map[string]Pos
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

// Bounds of what any file may say, whatever the chemistry: they catch a wrong
// power of ten, not a wrong choice.
var (
	anyCell       = tree.Within(100_000, 6_000_000)                    // 0.1 V to 6 V
	anyCurrent    = tree.Within(1_000, 2_000_000_000)                  // 1 mA to 2 kA
	anyCapacity   = tree.Within(36_000_000_000, 3_600_000_000_000_000) // 10 mAh to 1000 Ah
	anyTemp       = tree.Within(213_150, 373_150)                      // -60 degC to 100 degC
	anyDifference = tree.Within(1, 50_000)
	anyRatio      = tree.Within(0, 1_000_000)
)

// ParseModule reads a module file; name appears in the problems. The module is
// nil when there are problems.
func ParseModule(name string, src []byte) (*Module, []Problem) {
	r := &tree.Report{}
	f := KindModule.open(r, name, src)
	if f == nil {
		return nil, r.Sorted()
	}
	m := &Module{File: name, Digest: digest(src), at: f.At}
	m.nameplate(f)
	m.Maker = readMaker(r.Fields(f.Need("maker", "give the cell maker's limits, from the data sheet"), "maker"), m)
	m.Limits = readLimits(r.Fields(f.Need("limits", "give the module's working limits, inside the maker's"), "limits"), true)
	m.thermal(f)
	m.readOCV(f)
	m.readSensors(f)
	if n := f.Find("permits"); n != nil {
		m.Permits = readPermits(r.Fields(n, "permits"))
	}
	f.Finish()
	m.check(r)
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return m, nil
}

func digest(src []byte) string {
	sum := sha256.Sum256(src)
	return hex.EncodeToString(sum[:])
}

func (m *Module) nameplate(f *tree.Fields) {
	m.Serial = f.Name("module", "KW-01", true)
	m.Title = f.Optional("title")
	m.Chemistry = f.Choice("chemistry", true, "LFP", "NMC", "NCA", "LTO", "LMO", "LCO", "LIC")
	m.Series = int(f.Count("series", true, 1, 512))
	m.Parallel = int(f.Count("parallel", true, 1, 256))
	m.Rated = drivers.Charge(f.Quantity("rated_capacity", true, DimCharge, anyCapacity))
	m.Nominal = drivers.Microvolts(f.Quantity("nominal", true, DimCell, anyCell))
	m.CellResistance = drivers.Microohms(f.Quantity("cell_resistance", true, DimResistance, tree.Within(10, 10_000_000)))
	m.TerminalResistance = drivers.Microohms(f.Quantity("terminal_resistance", false, DimResistance, tree.Within(0, 10_000_000)))
	m.StorageMin, m.StorageMax = storageMin, storageMax
	if f.Has("storage") {
		m.StorageMin, m.StorageMax = f.Between("storage", false, DimRatio, anyRatio)
	}
}

func readMaker(f *tree.Fields, m *Module) Maker {
	k := Maker{
		CellMax:      drivers.Microvolts(f.Quantity("cell_max", true, DimCell, anyCell)),
		CellMin:      drivers.Microvolts(f.Quantity("cell_min", true, DimCell, anyCell)),
		NoCharge:     drivers.Microvolts(f.Quantity("no_charge_under", true, DimCell, anyCell)),
		ChargeMax:    drivers.Microamps(f.Quantity("charge_max", true, DimCurrent, anyCurrent)),
		DischargeMax: drivers.Microamps(f.Quantity("discharge_max", true, DimCurrent, anyCurrent)),
	}
	k.ChargeTempMin, k.ChargeTempMax = readTemps(f, "charge_temperature", true)
	k.DischargeTempMin, k.DischargeTempMax = readTemps(f, "discharge_temperature", true)
	if n := f.Find("charge_table"); n != nil {
		k.ChargeTable = readChargeTable(f, n)
	}
	for key, at := range f.At {
		m.at["maker."+key] = at
	}
	f.Finish()
	return k
}

func readTemps(f *tree.Fields, key string, required bool) (lo, hi drivers.Millikelvins) {
	a, b := f.Between(key, required, DimTemperature, anyTemp)
	return drivers.Millikelvins(a), drivers.Millikelvins(b)
}

// readChargeTable reads `0 degC: 4 A` lines.
func readChargeTable(f *tree.Fields, n *tree.Node) []TempCurrent {
	var rows []TempCurrent
	for _, p := range f.Pairs("charge_table", n, DimTemperature, anyTemp, DimCurrent, tree.Within(0, anyCurrent.Hi)) {
		rows = append(rows, TempCurrent{drivers.Millikelvins(p.Key), drivers.Microamps(p.Value)})
	}
	return rows
}

// readLimits reads a set of limits. In a module file the ones without which no
// plan can be checked are required.
func readLimits(f *tree.Fields, required bool) LimitSet {
	l := LimitSet{
		CellMax:        drivers.Microvolts(f.Quantity("cell_max", required, DimCell, anyCell)),
		CellMin:        drivers.Microvolts(f.Quantity("cell_min", required, DimCell, anyCell)),
		ChargeMax:      drivers.Microamps(f.Quantity("charge_max", required, DimCurrent, anyCurrent)),
		DischargeMax:   drivers.Microamps(f.Quantity("discharge_max", required, DimCurrent, anyCurrent)),
		SoftTemp:       drivers.Millikelvins(f.Quantity("pause_above", false, DimTemperature, anyTemp)),
		SoftHysteresis: drivers.Millikelvins(f.Quantity("resume_cooler_by", false, DimDifference, anyDifference)),
		at:             f.At,
	}
	l.ChargeTempMin, l.ChargeTempMax = readTemps(f, "charge_temperature", required)
	l.DischargeTempMin, l.DischargeTempMax = readTemps(f, "discharge_temperature", required)
	f.Finish()
	return l
}

func (m *Module) thermal(f *tree.Fields) {
	t := f.Report.Fields(f.Need("thermal", "give heat_capacity and conductance of a cell group"), "thermal")
	m.HeatCapacity = t.Quantity("heat_capacity", true, DimHeat, tree.Within(1_000, 1_000_000_000))
	m.NeighbourConductance = t.Quantity("conductance", true, DimConductance, tree.Within(1, 1_000_000))
	t.Finish()
}

func (m *Module) readOCV(f *tree.Fields) {
	n := f.Need("open_circuit", "give lines such as `50 %: 3.266 V` from 0 % to 100 %")
	for _, p := range f.Pairs("open_circuit", n, DimRatio, anyRatio, DimCell, anyCell) {
		m.OCV = append(m.OCV, OCVPoint{p.Key, drivers.Microvolts(p.Value)})
	}
}

func (m *Module) readSensors(f *tree.Fields) {
	right := "list the cell each sensor sits at, such as [2, 6, 10]"
	n := f.Need("temperature_sensors", right)
	for _, item := range f.List("temperature_sensors", n, right) {
		last := m.Series
		if last == 0 {
			last = 512 // refused already; say nothing more about it
		}
		cell := int(f.CountOf("temperature_sensors", item, 1, int64(last)))
		if cell == 0 {
			continue
		}
		for _, other := range m.Sensors {
			if other == cell-1 {
				f.Report.Addf(item.At, "give each sensor its own cell", "two sensors sit at cell %d", cell)
			}
		}
		m.Sensors = append(m.Sensors, cell-1)
	}
}

func readPermits(f *tree.Fields) Permits {
	p := Permits{
		RecoverLow:      f.Yes("recover_low"),
		RecoverHigh:     f.Yes("recover_high"),
		RecoveryCurrent: drivers.Microamps(f.Quantity("recovery_current", true, DimCurrent, anyCurrent)),
	}
	f.Finish()
	return p
}

// check compares what was read with itself: the maker's limits rise, the
// working limits lie inside them (INV-10), the table covers 0 to 100 %. What could
// not be read is left out: a limit that is over the maker's is told beside a
// mistake elsewhere in the file, not after it.
func (m *Module) check(r *tree.Report) {
	k, before := &m.Maker, len(r.Problems)
	rises(r, m.at["maker.cell_max"], DimCell, "no_charge_under", int64(k.NoCharge), "cell_min", int64(k.CellMin), true)
	rises(r, m.at["maker.cell_max"], DimCell, "cell_min", int64(k.CellMin), "cell_max", int64(k.CellMax), false)
	if len(r.Problems) > before {
		return // what follows would only repeat it
	}
	if read := m.Nominal > 0 && k.CellMin > 0 && k.CellMax > 0; read && (m.Nominal <= k.CellMin || m.Nominal >= k.CellMax) {
		r.Addf(m.at["nominal"], between(int64(k.CellMin), int64(k.CellMax), DimCell),
			"nominal %s lies outside the maker's limits", FormatQuantity(int64(m.Nominal), DimCell))
	}
	m.Limits.inside(r, makerSet(k), "the cell maker's limit")
	if m.Rated > 0 && m.Permits.RecoveryCurrent > drivers.Microamps(int64(m.Rated)/3_600_000/20) {
		r.Addf(m.at["permits"], "at most C/20", "recovery_current is over a twentieth of the rated capacity in an hour")
	}
	if before == 0 {
		m.checkOCV(r)
	}
}

func (m *Module) checkOCV(r *tree.Report) {
	at := m.at["open_circuit"]
	n := len(m.OCV)
	if n < 2 || m.OCV[0].SoC != 0 || m.OCV[n-1].SoC != 1_000_000 {
		r.Add(at, "open_circuit does not reach from 0 % to 100 %", "begin with 0 % and end with 100 %")
		return
	}
	for i := 1; i < n; i++ {
		if m.OCV[i].Voltage <= m.OCV[i-1].Voltage {
			r.Addf(at, "give voltages that rise with the state of charge",
				"open_circuit does not rise between %s and %s", FormatQuantity(m.OCV[i-1].SoC, DimRatio), FormatQuantity(m.OCV[i].SoC, DimRatio))
		}
	}
	if top := m.OCV[n-1].Voltage; top > m.Maker.CellMax {
		r.Addf(at, "at most "+FormatQuantity(int64(m.Maker.CellMax), DimCell),
			"open_circuit at 100 %% is %s, over the maker's cell_max", FormatQuantity(int64(top), DimCell))
	}
}

// rises reports a pair that does not rise; a value that was not read is 0.
func rises(r *tree.Report, at Pos, d Dimension, low string, a int64, high string, b int64, equal bool) {
	if a == 0 || b == 0 || a < b || equal && a == b {
		return
	}
	r.Addf(at, fmt.Sprintf("put %s under %s", low, high), "%s %s is not under %s %s", low, FormatQuantity(a, d), high, FormatQuantity(b, d))
}

func between(lo, hi int64, d Dimension) string {
	return fmt.Sprintf("between %s and %s", FormatQuantity(lo, d), FormatQuantity(hi, d))
}
