package guard

import "fmt"

// causeNames are stored and parsed; never rename one.
var causeNames = [...]string{
	CauseNone:          "none",
	CellHigh:           "cell_high",
	CellLow:            "cell_low",
	ModuleHigh:         "module_high",
	ModuleLow:          "module_low",
	TempHigh:           "temp_high",
	TempLow:            "temp_low",
	TempRise:           "temp_rise",
	ChargeCold:         "charge_cold",
	ChargeForbidden:    "charge_forbidden",
	ChargeHigh:         "charge_high",
	DischargeHigh:      "discharge_high",
	CurrentUncommanded: "current_uncommanded",
	Missing:            "missing",
	Stale:              "stale",
	Frozen:             "frozen",
	Impossible:         "impossible",
	SumMismatch:        "sum_mismatch",
	CurrentMismatch:    "current_mismatch",
	LoneCell:           "lone_cell",
	ContactorMismatch:  "contactor_mismatch",
	EmergencyStop:      "emergency_stop",
	DeviceFault:        "device_fault",
	BothOn:             "both_on",
	TempSoft:           "temp_soft",
	LoneTemp:           "lone_temp",
	TerminalMismatch:   "terminal_mismatch",
}

// rank orders findings of one frame: what a person must know first comes first.
// A stop pressed by a person leads; breaches of the article's limits follow;
// then what the bench does wrong; then what is wrong with the data; soft last.
var rank = [...]uint8{
	CauseNone:          255,
	EmergencyStop:      0,
	CellHigh:           1,
	CellLow:            2,
	ModuleHigh:         3,
	ModuleLow:          4,
	TempHigh:           5,
	TempRise:           6,
	TempLow:            7,
	ChargeForbidden:    8,
	ChargeCold:         9,
	ChargeHigh:         10,
	DischargeHigh:      11,
	BothOn:             12,
	CurrentUncommanded: 13,
	DeviceFault:        14,
	ContactorMismatch:  15,
	Impossible:         16,
	Missing:            17,
	Stale:              18,
	LoneTemp:           19, // before Frozen: of two sensors that part, it moved
	Frozen:             20,
	LoneCell:           21,
	SumMismatch:        22,
	TerminalMismatch:   23,
	CurrentMismatch:    24,
	TempSoft:           25,
}

// String is the cause's stable name.
func (c Cause) String() string {
	if int(c) < len(causeNames) {
		return causeNames[c]
	}
	return fmt.Sprintf("cause(%d)", uint8(c))
}

// ParseCause reads what String wrote.
func ParseCause(s string) (Cause, error) {
	for i, n := range causeNames {
		if n == s {
			return Cause(i), nil
		}
	}
	return CauseNone, fmt.Errorf("unknown cause %q; causes are named like %q", s, CellHigh.String())
}
