package machine

// Renews says whether the lease may be renewed on the frame just seen: the
// bench is armed or energised, nothing has tripped, and the lease itself is not
// what is being proved.
func (m *Machine) Renews() bool {
	switch m.phase {
	case PhaseArming:
		return m.arm.armed
	case PhaseRunning:
		return !m.proof.holds(ProveLease)
	case PhasePausing, PhasePaused, PhaseStopping:
		return true
	}
	return false
}
