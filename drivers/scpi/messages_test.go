package scpi

// Messages are all messages that the dialect can send.
func (d *Dialect) Messages() []string {
	list := []string{d.identity.ask, d.errors.ask, d.marker.ask, d.readVoltage.ask}
	for _, s := range []string{d.errors.clear, d.status, d.marker.send, d.both, d.current.send, d.current.ask, d.voltage.send, d.voltage.ask, d.readCurrent.ask} {
		if s != "" {
			list = append(list, s)
		}
	}
	if d.role != roleMeter {
		list = append(list, d.output.on, d.output.off)
	}
	list = append(append(append(list, d.connect...), d.prepare...), d.release...)
	for _, l := range []*limit{d.overVoltage, d.overCurrent, d.silence} {
		if l != nil {
			list = append(append(append(append(list, l.send...), l.clear...), l.off...), l.ask)
		}
	}
	for _, s := range d.states {
		list = append(list, s.ask)
	}
	return list
}
