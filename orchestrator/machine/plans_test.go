package machine

import "github.com/rigwarden/rigwarden/drivers"

var wide = Bounds{Span: 2 * drivers.Hour, Charge: 2 * toyCapacity, Energy: 100 * drivers.WattHour}

func closing(step int) Instruction {
	return Instruction{Op: OpSwitch, Step: step, Switch: &Switch{Close: true, Tau: 100 * drivers.Millisecond, TauPerMille: 200, FinalPerMille: 1000, Min: 100 * drivers.Millisecond, Max: 2 * drivers.Second}}
}

func charging(step int) Instruction {
	return Instruction{Op: OpDrive, Step: step, Drive: &Drive{Direction: Charging, Current: 2 * drivers.Ampere, Hold: 3_400_000, Taper: 100_000, Voltage: 15 * drivers.Volt, Bounds: wide, SaveCharge: 1}}
}

// sessionPlans are the plans that sessions name.
var sessionPlans = map[string]func() *Plan{
	"charge": func() *Plan { return toyPlan(closing(0), charging(1)) },
	"cycle": func() *Plan {
		return toyPlan(closing(0), charging(1),
			Instruction{Op: OpWait, Step: 2, Wait: &Wait{Span: 20 * drivers.Minute, Open: true}},
			Instruction{Op: OpDrive, Step: 3, Drive: &Drive{Direction: Discharging, Current: 4 * drivers.Ampere, CellEnd: 3_200_000, Voltage: 10 * drivers.Volt, Bounds: wide, Push: 1, SaveCharge: 1}},
			Instruction{Op: OpCompare, Step: 3, Compare: &Compare{List: 1, Count: 2, Value: int64(toyCapacity) * 3 / 100, Then: 6}},
			Instruction{Op: OpJump, Step: 3, Jump: &Jump{Target: 1, Max: 3}},
			Instruction{Op: OpNote, Step: 4, Note: &Note{Text: "capacity is stable"}},
			Instruction{Op: OpDrive, Step: 5, Drive: &Drive{Direction: Charging, Current: 4 * drivers.Ampere, ChargeOf: 1, PerMille: 500, Voltage: 15 * drivers.Volt, Bounds: wide}},
		)
	},
	"pulse": func() *Plan {
		return toyPlan(closing(0),
			Instruction{Op: OpPulse, Step: 1, Drive: &Drive{Direction: Discharging, Current: 5 * drivers.Ampere, Span: 10 * drivers.Second, Voltage: 10 * drivers.Volt, CellEnd: 2_700_000, Bounds: wide}},
			Instruction{Op: OpWait, Step: 2, Wait: &Wait{Span: 40 * drivers.Second}},
			Instruction{Op: OpPulse, Step: 3, Drive: &Drive{Direction: Charging, Current: 3 * drivers.Ampere, Span: 10 * drivers.Second, Voltage: 15 * drivers.Volt, CellEnd: 3_550_000, Bounds: wide}},
		)
	},
	"levels": func() *Plan {
		return toyPlan(closing(0),
			Instruction{Op: OpPulse, Step: 1, Drive: &Drive{Direction: Discharging, Current: 5 * drivers.Ampere, Span: 12 * drivers.Second, Lead: &Lead{Current: drivers.Ampere, Span: 10 * drivers.Second},
				Voltage: 10 * drivers.Volt, CellEnd: 2_700_000, Bounds: wide}},
		)
	},
	"balance": func() *Plan {
		return toyPlan(closing(0), charging(1),
			Instruction{Op: OpBleed, Step: 2, Bleed: &Bleed{TargetPPM: 3000, Capacity: toyCapacity, Chunk: 30 * drivers.Minute, Settle: drivers.Minute, TempMax: 328_150, Bounds: wide, Imbalance: 2,
				Held: 10 * drivers.Minute, SpreadMax: 60_000, Unmet: 1}},
			Instruction{Op: OpCompare, Step: 2, Compare: &Compare{Register: 1, Op: "<=", Then: 5}},
			Instruction{Op: OpJump, Step: 2, Jump: &Jump{Target: 1, Max: 5}},
			Instruction{Op: OpEnd, Step: 3, End: &End{}},
		)
	},
	"ask": func() *Plan {
		return toyPlan(closing(0), Instruction{Op: OpAsk, Step: 1, Ask: &Ask{Text: "connect the meter"}}, charging(2))
	},
	"bound": func() *Plan {
		p := toyPlan(closing(0), charging(1))
		p.Code[1].Drive.Bounds.Span = 20 * drivers.Second
		return p
	},
}
