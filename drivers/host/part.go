package host

import (
	"slices"
	"sync/atomic"

	"github.com/rigwarden/rigwarden/drivers"
)

// roleKinds are the channels that each device fills; its counter is the last.
var roleKinds = [roles][]drivers.Kind{
	RoleSupply:  {drivers.SupplyVoltage, drivers.SupplyCurrent, drivers.SupplyState, drivers.SupplyBeat},
	RoleLoad:    {drivers.LoadVoltage, drivers.LoadCurrent, drivers.LoadState, drivers.LoadBeat},
	RoleBox:     {drivers.LinkVoltage, drivers.BoxCurrent, drivers.BoxState, drivers.BoxBeat},
	RoleMonitor: {drivers.CellVoltage, drivers.Temperature, drivers.ModuleCurrent, drivers.BleedState, drivers.MonitorBeat},
	RoleMeter:   {drivers.ModuleVoltage, drivers.MeterBeat},
}

// roleOf returns the role whose device fills a channel.
func roleOf(k drivers.Kind) Role {
	for r, kinds := range roleKinds {
		if slices.Contains(kinds, k) {
			return Role(r)
		}
	}
	return RoleNone
}

// rolesOf lists the roles that a set fills.
func rolesOf(s *drivers.Set) (list []Role) {
	for _, r := range [...]struct {
		role  Role
		there bool
	}{
		{RoleSupply, s.Supply != nil}, {RoleLoad, s.Load != nil}, {RoleBox, s.Box != nil},
		{RoleMonitor, s.Monitor != nil}, {RoleMeter, s.Meter != nil},
	} {
		if r.there {
			list = append(list, r.role)
		}
	}
	return list
}

// partLayout is the layout of the given roles' channels alone.
func partLayout(b *drivers.Bench, list []Role) (*drivers.Layout, error) {
	return b.Part(func(k drivers.Kind) bool { return slices.Contains(list, roleOf(k)) })
}

// Alive tells drivers that keep a lease of their own (plugins) what becomes of
// the host's. A host takes it in Config; before, the zero value says that there
// is no lease. Its methods never wait.
type Alive struct{ k atomic.Pointer[keeper] }

// Now reports whether the host's lease is alive.
func (a *Alive) Now() bool {
	k := a.k.Load()
	if k == nil {
		return false
	}
	until := k.until.Load()
	return until != 0 && k.now() < drivers.Instant(until)
}

// Armed counts the armings so far.
func (a *Alive) Armed() uint64 {
	k := a.k.Load()
	if k == nil {
		return 0
	}
	return k.armings.Load()
}
