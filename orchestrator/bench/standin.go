package bench

import (
	"context"

	"github.com/rigwarden/rigwarden/drivers"
)

// standing stands in for who is missing in virtual time while protections are
// proved: the host, whose lease nobody else there lets run out, and the person who
// presses the emergency stop when asked to. Whatever is proved this way is proved
// of a simulated bench only.
type standing struct {
	renewed drivers.Instant
	out     drivers.Instant // when the lease has run out, and outputs were halted; 0: it has not
	opened  bool            // and then the contactors
	pressed bool
}

// presser is a rig whose emergency stop can be pressed.
type presser interface{ PressEmergencyStop(on bool) }

// standIn looks at the machine after each frame.
func (v *Virtual) standIn() {
	s, now := &v.stands, v.rig.Now()
	ctx := context.Background()
	switch p := v.m.Plan(); {
	case v.m.Renews():
		s.renewed, s.out, s.opened = now, 0, false
	case p == nil || !v.m.Energised():
	case s.out == 0 && now.Sub(s.renewed) >= p.Bench.Lease:
		s.out = now
		// What one device answers keeps none of the others on.
		_ = v.set.Supply.Halt(ctx)
		_ = v.set.Load.Halt(ctx)
	case s.out != 0 && !s.opened && now.Sub(s.out) >= p.Bench.Box.OpeningTime:
		s.opened = true
		_ = v.set.Box.Halt(ctx)
	}
	if r, ok := v.rig.(presser); ok && s.pressed != v.m.PressesStop() {
		s.pressed = !s.pressed
		r.PressEmergencyStop(s.pressed)
	}
}
