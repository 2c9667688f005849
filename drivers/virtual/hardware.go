package virtual

import (
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// Hardware is an independent protection that must bound what no software can.
type Hardware struct {
	// Out is the word of the Excursion that it bounds; or step_charge, what flows
	// past a step's bounds at more than the cell maker's current; or inrush, the
	// current at the touch of a contact whose link sagged while it travelled.
	Out string
	// By is the protection, by its key in bench files.
	By string
}

// Beyond lists what no software can bound when these faults strike one bench:
// what each needs alone, and what they need together because no way is left to
// take the energy off.
func Beyond(faults ...Fault) []Hardware {
	var list []Hardware
	need := func(h ...Hardware) {
		for _, x := range h {
			if !slices.Contains(list, x) {
				list = append(list, x)
			}
		}
	}
	var held drivers.Contactors // that do not open
	var supply, load, short bool
	for i := range faults {
		f := &faults[i]
		if info, ok := lookup(f.Kind); ok {
			need(info.Hardware...)
		}
		switch {
		case f.Kind == CommandsIgnored && f.Device == DeviceBox:
			held = known
		case f.Kind == ContactorWelded:
			held |= f.Contactor
		}
		supply = supply || f.keepsOn(DeviceSupply, SupplyIgnoresOff)
		load = load || f.keepsOn(DeviceLoad, LoadIgnoresOff)
		short = short || f.Kind == LinkShort || f.Kind == LoadShorts
	}
	closed := held&drivers.BoxNegative != 0 && held&(drivers.BoxPrecharge|drivers.BoxPositive) != 0
	if !closed {
		return list
	}
	if supply {
		need(Hardware{"cell_high", ByCellCutOff}, Hardware{"temp_high", ByCellCutOff})
	}
	if load || short {
		need(Hardware{"cell_low", ByCellCutOff}, Hardware{"temp_high", ByCellCutOff})
	}
	return list
}

// keepsOn says that a device's output cannot be switched off by commands. One
// that only hangs goes off by its own communication timeout.
func (f *Fault) keepsOn(d Device, own FaultKind) bool {
	return f.Kind == own || f.Kind == CommandsIgnored && f.Device == d
}

// Protections lists every independent protection that some fault of the
// catalogue, or several at once, leaves the harm to: what must be declared of a
// bench before it may run with nobody beside it. The names are the bench file's.
func Protections() []string {
	list := []string{ByCellCutOff} // when no way is left to take the energy off
	for i := range catalogue {
		for _, h := range catalogue[i].Hardware {
			if !slices.Contains(list, h.By) {
				list = append(list, h.By)
			}
		}
	}
	slices.Sort(list)
	return list
}
