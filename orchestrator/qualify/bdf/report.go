package bdf

import "github.com/rigwarden/rigwarden/orchestrator/qualify/gum"

// Report is what Read found in one file.
type Report struct {
	File string `json:"file"`
	// Rows counts the rows that were used, BadRows those left out.
	Rows    int64 `json:"rows"`
	BadRows int64 `json:"bad_rows"`
	// Bad lists the first of them, with their lines.
	Bad   []Bad  `json:"bad,omitempty"`
	Steps []Step `json:"steps"`
	// Unlisted counts steps beyond those listed.
	Unlisted int    `json:"steps_unlisted,omitempty"`
	Pairs    []Pair `json:"pairs,omitempty"`
	// Peukert is the exponent k of I^k*t = const over the full discharges, 0
	// where fewer than three with different currents were found.
	Peukert float64 `json:"peukert,omitempty"`
	// Level is the coverage probability of every U.
	Level float64  `json:"level"`
	Notes []string `json:"notes,omitempty"`
}

// Bad is a row that was left out.
type Bad struct {
	Line   int    `json:"line"`
	Reason string `json:"reason"`
	// At is "file:line: reason", for people.
	At string `json:"at"`
}

// Kinds of steps, by their mean current.
const (
	Charge    = "charge"
	Discharge = "discharge"
	Rest      = "rest"
)

// Step is what one step of the file did. Integrals run from its first row to
// its last; charge is positive.
type Step struct {
	Number int `json:"number"` // counts from one
	// ID is the file's own step number, empty where steps were told apart by
	// the current.
	ID           string  `json:"id,omitempty"`
	Kind         string  `json:"kind"`
	Line         int     `json:"line"` // of its first row
	Rows         int64   `json:"rows"`
	Start        float64 `json:"start_s"`
	Seconds      float64 `json:"seconds"`
	MeanCurrent  float64 `json:"mean_current_A"`
	Charge       float64 `json:"charge_Ah"`
	Energy       float64 `json:"energy_Wh"`
	StartVoltage float64 `json:"start_voltage_V"`
	EndVoltage   float64 `json:"end_voltage_V"`
	// R1 and R10 are the d.c. resistances 1 s and 10 s after the step's edge.
	R1  Resistance `json:"resistance_1s"`
	R10 Resistance `json:"resistance_10s"`
	// Resistances are those at every time: 0.1, 1, 2, 5 and 10 s.
	Resistances []Resistance `json:"resistances"`
	// Temperature is the mean of the step's rows in degC, nil where the file has
	// none.
	Temperature *float64 `json:"temperature_degC,omitempty"`
	// ChargeU and EnergyU are half widths of the intervals of Charge and Energy
	// from the declared accuracy, 0 where none is declared.
	ChargeU float64 `json:"charge_U_Ah,omitempty"`
	EnergyU float64 `json:"energy_U_Wh,omitempty"`
	// Counter is the instrument's own count in Ah, put together over its
	// resets; nil where the file has none.
	Counter *Counter `json:"counter,omitempty"`
	// Longest is the longest time between two of its rows.
	Longest float64 `json:"longest_gap_s"`

	volts      float64 // V.s, the integral of voltage over time
	high, last float64 // greatest magnitude of its current, and its last, A
}

// Counter is an instrument's own charge counter over one step.
type Counter struct {
	Charge float64 `json:"charge_Ah"` // positive into the article
	Resets int     `json:"resets"`
	// Last is the counter's last value, which is not the charge where it was
	// reset within the step.
	Last float64 `json:"last_Ah"`
}

// Resistance is a d.c. resistance in mOhm, or the reason why there is none.
// U is the half width of its interval, K that over the standard uncertainty.
type Resistance struct {
	After    float64 `json:"after_s"`
	MilliOhm float64 `json:"mOhm,omitempty"`
	U        float64 `json:"U_mOhm,omitempty"`
	K        float64 `json:"k,omitempty"`
	OK       bool    `json:"ok"`
	Reason   string  `json:"reason,omitempty"`

	spread gum.Spread
	shared map[string]float64
}

// Pair is a charge and the discharge that followed it.
type Pair struct {
	// Charge and Discharge are step numbers; a charge may be several steps.
	Charge    []int `json:"charge"`
	Discharge []int `json:"discharge"`
	// Efficiencies in %.
	Coulombic float64 `json:"coulombic_efficiency"`
	Energy    float64 `json:"energy_efficiency"`
	Voltage   float64 `json:"voltage_efficiency"`
	// CoulombicU and EnergyU are the half widths of their intervals in %, from
	// the declared accuracy; 0 where none is declared.
	CoulombicU float64 `json:"coulombic_efficiency_U,omitempty"`
	EnergyU    float64 `json:"energy_efficiency_U,omitempty"`
	// OK says that charge and discharge lie between equal end states, as far as
	// voltages tell; Reason why not.
	OK     bool   `json:"ok"`
	Reason string `json:"reason,omitempty"`
}
