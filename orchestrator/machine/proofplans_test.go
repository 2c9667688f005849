package machine

import "github.com/rigwarden/rigwarden/drivers"

// proof is a drive of 2 A that is to trip one protection.
func proof(step int, d Direction, e Expect) Instruction {
	s := drivers.Second
	e.Off, e.Zero, e.Open = max(e.Off, 400*drivers.Millisecond), max(e.Zero, s), max(e.Open, s)
	v := 15 * drivers.Volt
	if d == Discharging {
		v = 10 * drivers.Volt
	}
	return Instruction{Op: OpDrive, Step: step, Drive: &Drive{Direction: d, Current: 2 * drivers.Ampere, Span: 20 * s, Voltage: v, Bounds: wide, Expect: &e}}
}

// proofPlan proves on the toy bench, with a link that loses its charge.
func proofPlan(code ...Instruction) *Plan {
	p := toyPlan(code...)
	p.Bench.Box.LinkBleed = 10_000_000_000
	return p
}

var (
	leaseEnds  = Expect{Protection: ProveLease, Off: 2 * drivers.Second, Zero: 2 * drivers.Second, Open: 2 * drivers.Second}
	staleData  = Expect{Protection: ProveStale, Off: drivers.Second, Zero: 2 * drivers.Second, Open: 2 * drivers.Second}
	stopButton = Expect{Protection: ProveStop, Ask: "press the emergency stop now"}
	tooWarm    = Expect{Protection: ProveTempHigh, Beyond: -1000, Off: 2 * drivers.Second, Zero: 2 * drivers.Second, Open: 2 * drivers.Second}
	tooCold    = Expect{Protection: ProveTempLow, Beyond: -1000, Off: 2 * drivers.Second, Zero: 2 * drivers.Second, Open: 2 * drivers.Second}
	cellHigh   = Expect{Protection: ProveCellHigh, Beyond: 5_000}
	cellLow    = Expect{Protection: ProveCellLow, Beyond: 5_000}
	chargeHigh = Expect{Protection: ProveChargeHigh, Current: drivers.Ampere}
	drawHigh   = Expect{Protection: ProveDischargeHigh, Current: drivers.Ampere}
)

// everyProof is a plan that proves each protection there is.
func everyProof() *Plan {
	return proofPlan(closing(0),
		proof(1, Charging, cellHigh), proof(2, Discharging, cellLow), proof(3, Charging, chargeHigh), proof(4, Discharging, drawHigh),
		proof(5, Charging, tooWarm), proof(6, Charging, tooCold), proof(7, Charging, staleData), proof(8, Charging, leaseEnds),
		proof(9, Charging, stopButton), Instruction{Op: OpAsk, Step: 10, Ask: &Ask{Text: "release the emergency stop"}})
}

func init() {
	sessionPlans["prove"] = everyProof
	sessionPlans["prove cell"] = func() *Plan { return proofPlan(closing(0), proof(1, Charging, cellHigh), charging(2)) }
}
