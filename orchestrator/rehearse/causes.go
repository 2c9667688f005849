package rehearse

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// leads lists what trips each kind of fault may lead to, by the cause's word. A
// trip for anything else is held against the truth of the article alone: that
// something had gone wrong excuses no trip for something else.
//
// The groups follow from what each thing touches: a reading that errs may show a
// breach, disagree with another or move alone, and beyond its range none comes;
// one that does not come is missing or stale, and whatever waits for it runs out
// of time; a current that stands, or comes late, no longer fits the next command.
// Another article moves as the file's cannot, between what is read first and what
// is read last, too; and a short takes charge past every shunt's range, which moves
// a small article's cells by more than what was counted.
var leads = map[virtual.FaultKind][]string{
	virtual.TapReadsLow:     tapErrs,
	virtual.TapDrifts:       tapErrs,
	virtual.TapNoisy:        tapErrs,
	virtual.SensorFreezes:   {"frozen", "sum_mismatch", "lone_cell", "trend_mismatch"},
	virtual.TapsSwapped:     {"lone_cell"},
	virtual.TapOpen:         {"missing"},
	virtual.ReferenceDrifts: allErr,
	virtual.ScaleWrong:      allErr,

	virtual.TempOpen:     {"missing"},
	virtual.TempShort:    {"impossible"},
	virtual.TempStuck:    {"frozen", "lone_temp"},
	virtual.TempReadsLow: {"temp_high", "temp_low", "charge_cold", "temp_rise", "frozen", "lone_temp", "charge_high"},

	virtual.CurrentOffset:    ammeterErrs,
	virtual.CurrentGain:      ammeterErrs,
	virtual.CurrentReversed:  ammeterErrs,
	virtual.CurrentSaturates: {"current_mismatch", "impossible", "trend_mismatch"},
	virtual.MeterReadsOff:    {"sum_mismatch", "terminal_mismatch", "module_high", "module_low", "impossible", "precharge"},

	virtual.FramesStop:      {"silence", "stale", "precharge", "contactor", "driver"},
	virtual.FramesRepeat:    {"stale", "current_uncommanded", "precharge", "contactor", "contactor_mismatch", "driver"},
	virtual.FramesLate:      {"stale", "current_uncommanded", "silence", "precharge", "contactor", "driver"},
	virtual.FramesLost:      {"silence", "stale", "precharge", "contactor", "driver"},
	virtual.FramesDoubled:   {"stale"},
	virtual.FramesReordered: {"stale"},
	virtual.FramesHalfEmpty: {"missing"},
	virtual.FramesHalfOld:   {"frozen", "sum_mismatch", "lone_cell", "lone_temp", "current_mismatch", "current_uncommanded", "driver"},
	virtual.TimeSteps:       {"clock", "stale", "silence"},
	virtual.MonitorSilent:   {"stale", "current_uncommanded", "driver", "precharge", "contactor"},
	virtual.ReadingsMissing: {"missing", "driver", "precharge", "contactor"},

	virtual.DriverHangs:      unreached,
	virtual.DriverReconnects: unreached,
	virtual.CommandsIgnored:  {"driver", "current_uncommanded", "current_mismatch", "contactor", "contactor_mismatch", "precharge", "both_on"},

	virtual.IgnoresSetdown:   {"current_uncommanded", "charge_high", "cell_high", "module_high", "driver"},
	virtual.SupplyIgnoresOff: {"driver", "contactor", "current_uncommanded", "precharge", "device_fault", "both_on"},
	virtual.LoadIgnoresOff:   {"driver", "contactor", "current_uncommanded", "precharge", "device_fault", "both_on"},
	virtual.IgnoresVoltage:   {"cell_high", "module_high", "charge_high"},
	virtual.Overdelivers:     {"charge_high", "current_uncommanded", "current_mismatch", "device_fault", "cell_high", "module_high"},
	virtual.Overdraws:        {"discharge_high", "current_uncommanded", "current_mismatch", "device_fault", "cell_low", "module_low"},
	virtual.SupplyDies:       {"device_fault", "driver"},
	virtual.LoadDies:         {"device_fault", "driver"},
	virtual.SenseOpen:        {"terminal_mismatch", "cell_high", "module_high", "device_fault", "driver", "current_mismatch"},
	virtual.SupplyDrains:     linkDrawn,
	virtual.LoadShorts:       append([]string{"device_fault"}, shorted...),
	virtual.LinkShort:        shorted,
	virtual.SetupLost:        {"stale", "driver", "device_fault", "contactor_mismatch", "precharge"},

	virtual.ContactorWelded:  {"contactor", "contactor_mismatch", "precharge"},
	virtual.ContactorStuck:   {"contactor_mismatch", "precharge", "driver"},
	virtual.ContactorBounces: {"precharge", "contactor_mismatch"},
	virtual.PrechargeOpen:    {"precharge"},
	virtual.EmergencyPressed: {"emergency_stop", "precharge", "driver", "contactor_mismatch"},
	virtual.BleedStuck:       {"lone_cell", "cell_low", "sum_mismatch"},
	virtual.BleedOpen:        {},
	virtual.CellOverheats:    {"temp_high", "temp_rise", "lone_temp"},
	virtual.WrongCount:       {"missing", "sum_mismatch", "impossible", "cell_low", "charge_forbidden", "lone_cell", "terminal_mismatch", "precharge"},
	virtual.WrongChemistry:   otherArticle,
	virtual.WrongSize:        otherArticle,
	virtual.WrongMaker:       {}, // nothing else differs
	virtual.CellLeaks:        {"lone_cell", "cell_low", "charge_forbidden", "temp_high", "temp_rise", "lone_temp"},
}

var (
	tapErrs      = []string{"article", "cell_high", "cell_low", "charge_forbidden", "lone_cell", "sum_mismatch", "frozen", "impossible", "trend_mismatch"}
	allErr       = []string{"article", "cell_high", "cell_low", "charge_forbidden", "sum_mismatch", "impossible", "lone_cell", "trend_mismatch"}
	ammeterErrs  = []string{"article", "missing", "current_mismatch", "current_uncommanded", "charge_high", "discharge_high", "charge_cold", "charge_forbidden", "impossible", "precharge", "driver", "trend_mismatch", "sum_mismatch", "terminal_mismatch"}
	unreached    = []string{"stale", "driver", "precharge", "contactor", "contactor_mismatch", "device_fault", "current_uncommanded", "current_mismatch", "lost device"}
	linkDrawn    = []string{"current_mismatch", "current_uncommanded", "discharge_high", "impossible", "precharge", "terminal_mismatch", "driver", "cell_low", "module_low", "contactor"}
	shorted      = append([]string{"article"}, linkDrawn...)
	otherArticle = []string{"article", "trend_mismatch", "sum_mismatch", "cell_high", "cell_low", "charge_forbidden", "module_high", "module_low", "lone_cell", "temp_high", "temp_rise", "frozen"}
	storeLeads   = []string{"store"}
)

// blamed says whether something had gone wrong, and whether something had that
// may lead to a trip of the cause.
func (w *witness) blamed(cause string) (any, blamed bool) {
	for _, f := range w.rig.FaultStatus() {
		any = any || f.Began
		blamed = blamed || f.Began && slices.Contains(leads[f.Fault.Kind], cause)
	}
	if w.c.Store.Kind != StoreGood && w.rig.Now() >= began.Add(w.c.Store.At) {
		any = true
		blamed = blamed || slices.Contains(storeLeads, cause)
	}
	return any, blamed
}
