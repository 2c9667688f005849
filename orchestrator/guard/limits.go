package guard

import "github.com/rigwarden/rigwarden/drivers"

// Limits is what the guard enforces, in base units: the tightest of cell
// maker's, module, bench and profile (INV-10), already lowered by what the
// compiler holds back for sensor errors. The profiles package makes it.
type Limits struct {
	// Hard limits of each cell: beyond them for Persistence, the run trips.
	// CellMax holds in every direction; CellMin too.
	CellMax drivers.Microvolts `json:"cell_max_uV"`
	CellMin drivers.Microvolts `json:"cell_min_uV"`
	// NoCharge is the voltage under which a cell is never charged again.
	NoCharge drivers.Microvolts `json:"no_charge_uV"`
	// Terminal voltage of the whole article, by the meter.
	ModuleMax drivers.Microvolts `json:"module_max_uV"`
	ModuleMin drivers.Microvolts `json:"module_min_uV"`

	// Temperatures, hard. Charging and discharging have ranges of their own;
	// direction comes from the measured current (INV-15).
	TempMax          drivers.Millikelvins `json:"temp_max_mK"`
	TempMin          drivers.Millikelvins `json:"temp_min_mK"`
	TempChargeMax    drivers.Millikelvins `json:"temp_charge_max_mK"`
	TempChargeMin    drivers.Millikelvins `json:"temp_charge_min_mK"`
	TempDischargeMax drivers.Millikelvins `json:"temp_discharge_max_mK"`
	TempDischargeMin drivers.Millikelvins `json:"temp_discharge_min_mK"`
	// TempRateMax is the fastest credible rise of any sensor, mK per minute;
	// faster is a hard finding. 0: not watched.
	TempRateMax drivers.Millikelvins `json:"temp_rate_max_mK_per_min"`
	// Soft limits pause the run; it resumes under SoftMax less SoftHysteresis.
	TempSoftMax        drivers.Millikelvins `json:"temp_soft_max_mK"`
	TempSoftHysteresis drivers.Millikelvins `json:"temp_soft_hysteresis_mK"`

	// Greatest current per direction (both magnitudes).
	ChargeMax    drivers.Microamps `json:"charge_max_uA"`
	DischargeMax drivers.Microamps `json:"discharge_max_uA"`
	// ChargeTable lowers ChargeMax by temperature; rows by rising temperature.
	// The row that allows least, over the coldest and the hottest sensor, holds.
	ChargeTable []ChargeRow `json:"charge_table,omitempty"`

	// Persistence: how long a breach must last before it counts.
	CellPersistence    drivers.Span `json:"cell_persistence_us"`
	TempPersistence    drivers.Span `json:"temp_persistence_us"`
	CurrentPersistence drivers.Span `json:"current_persistence_us"`
	// Stale: the longest an instrument's counter may stand still.
	Stale drivers.Span `json:"stale_us"`

	// Plausible ranges: outside them a reading is impossible data.
	CellPlausibleMin drivers.Microvolts   `json:"cell_plausible_min_uV"`
	CellPlausibleMax drivers.Microvolts   `json:"cell_plausible_max_uV"`
	TempPlausibleMin drivers.Millikelvins `json:"temp_plausible_min_mK"`
	TempPlausibleMax drivers.Millikelvins `json:"temp_plausible_max_mK"`
	CurrentPlausible drivers.Microamps    `json:"current_plausible_uA"`

	// Cross-checks; each tolerance is derived from declared accuracies.
	// SumTolerance: |sum of taps - meter| without current; the guard adds what
	// Terminals drop and is uncertain of a fifth of it (DropTolerance).
	SumTolerance drivers.Microvolts `json:"sum_tolerance_uV"`
	// Terminals is the resistance between the outermost taps and the meter.
	Terminals drivers.Microohms `json:"terminals_uOhm,omitempty"`
	// TapLag is how much earlier than the meter's the taps' readings are in the
	// mean, TapLagOff how much more or less it may be.
	TapLag    drivers.Span `json:"tap_lag_us,omitempty"`
	TapLagOff drivers.Span `json:"tap_lag_off_us,omitempty"`
	// LinkTolerance, SupplyTolerance and LoadTolerance: what the voltage at the
	// other end of the power path may differ from the meter's, contactors closed
	// and current steady, on top of what Leads drop. 0: not watched.
	LinkTolerance   drivers.Microvolts `json:"link_tolerance_uV,omitempty"`
	SupplyTolerance drivers.Microvolts `json:"supply_tolerance_uV,omitempty"`
	LoadTolerance   drivers.Microvolts `json:"load_tolerance_uV,omitempty"`
	Leads           drivers.Microohms  `json:"leads_uOhm,omitempty"`
	// CurrentTolerance: |shunt - (supply - load)| and |shunt - box sensor| at
	// steady current.
	CurrentTolerance    drivers.Microamps `json:"current_tolerance_uA"`
	BoxCurrentTolerance drivers.Microamps `json:"box_current_tolerance_uA"`
	CrossPersistence    drivers.Span      `json:"cross_persistence_us"`
	// NearZero is what counts as no current.
	NearZero drivers.Microamps `json:"near_zero_uA"`
	// Frozen: a cell that stands still on one count while its siblings' mean
	// moved by more than FrozenMove is frozen.
	FrozenMove drivers.Microvolts `json:"frozen_move_uV"`
	// TempFrozenMove: the same for temperatures. 0: not watched.
	TempFrozenMove drivers.Millikelvins `json:"temp_frozen_move_mK"`
	// TempLoneMove: a sensor whose deviation from its siblings' median changed by
	// more within a minute reads wrong. 0: not watched.
	TempLoneMove drivers.Millikelvins `json:"temp_lone_move_mK,omitempty"`
	// Lone: a cell whose deviation from its siblings' median changed within
	// LoneSpan by more than LoneMove, LoneStep times the swing of the current and
	// LoneFlow times the current has a tap or a cell fault. LoneMove 0: not
	// watched.
	LoneMove drivers.Microvolts `json:"lone_move_uV"`
	LoneStep drivers.Microohms  `json:"lone_step_uOhm,omitempty"`
	LoneFlow drivers.Microohms  `json:"lone_flow_uOhm,omitempty"`
	LoneSpan drivers.Span       `json:"lone_span_us"`
	// BleedMove is what a cell that was bled lately may move by itself.
	BleedMove drivers.Microvolts `json:"bleed_move_uV,omitempty"`
}

// DropTolerance is how much of a drop in copper and joints nobody can be sure
// of: a fifth. Copper changes by 0.39 % a kelvin (IEC 60028: 0.00393 at 20 degC),
// which is a tenth over 25 K to either side; the other tenth is left to what a
// file says of joints (common practice, no source).
func DropTolerance(drop drivers.Microvolts) drivers.Microvolts {
	if drop < 0 {
		drop = -drop
	}
	return (drop + 4) / 5
}

// ChargeRow allows Current at temperatures from Temp up to the next row.
type ChargeRow struct {
	Temp    drivers.Millikelvins `json:"temp_mK"`
	Current drivers.Microamps    `json:"current_uA"`
}

// Context is what the machine knows when a frame arrives.
type Context struct {
	// Charge and Discharge are the greatest currents (magnitudes) that the
	// commands given so far can explain, with delay and slew; 0: none.
	Charge, Discharge drivers.Microamps
	// Steady says that no command changed within the response time, so that
	// cross-checks between instruments hold.
	Steady bool
	// Contactors is what was commanded, valid once ContactorsSettled.
	Contactors        drivers.Contactors
	ContactorsSettled bool
	// Bleeding says that some cell bleeds, or did within the response time: what
	// its tap reads is then spoiled by the bleed current. Bled says that one did
	// lately and relaxes.
	Bleeding, Bled bool
	// Supply and Load say whether each is commanded on.
	Supply, Load bool
}
