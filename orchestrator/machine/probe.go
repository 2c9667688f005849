package machine

import "github.com/rigwarden/rigwarden/drivers"

// The first current of a run is a small one: before anything larger flows, the
// article must show the resistance that its file says (see trendEdge), and the
// instruments each other's current. Nothing at rest tells a module of a tenth of
// the size from the one that the file speaks of.

// probes says that the present drive, of at most ceiling, must begin with the small
// current.
func (m *Machine) probes(ceiling drivers.Microamps) bool {
	return m.plan.Probe > 0 && !m.code.probed && ceiling > 2*m.plan.Probe
}

func (m *Machine) beginProbe() {
	d := &m.drive
	d.stage, d.setAt, d.flowedAt = stageProbe, m.now, m.now
	m.timer = m.now.Add(m.response(m.plan.Probe) + probeGrace)
	m.beginTrend()
	m.set(d.ins.Direction, m.plan.Probe, d.ins.Voltage)
}

// probeGrace is added to the response time before a small current that nobody
// measures is a fault.
const probeGrace = 3 * drivers.Second

// probeFrame looks at one frame of the small current. What it showed, or that it
// could not be measured, is known once current has surely arrived.
func (m *Machine) probeFrame() {
	d, s := &m.drive, &m.meas
	if !s.fresh || !s.cellsOK || !s.currentOK || m.now.Sub(d.setAt) < m.response(m.plan.Probe) {
		return
	}
	if m.trend.on && (m.trendEdge() || m.trend.on && !m.trend.edge) {
		return // it tripped, or what flows is not what was commanded
	}
	m.trend.on = false
	m.code.probed = true
	m.halt(0)
	s.quiet = 0
	d.stage = stageQuiet
	m.timer = m.now.Add(m.response(m.plan.Probe) + fallGrace)
}
