package bench

import (
	"context"
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// hosted passes on what the host did by itself.
func (v *Live) hosted(e host.Event) {
	switch e.Kind {
	case host.EventOpened:
		v.opened(e)
		return
	case host.EventDeviceBack, host.EventNone:
		v.hub.notify(v.alert(machine.Notify{Severity: machine.SeverityInfo, Text: e.String()}))
		return
	case host.EventLeaseOut:
		if !v.m.Renews() {
			return // nobody wanted it any more
		}
	}
	v.handle(machine.Lost{At: v.now(), Device: e.Role.String(), Reason: e.Kind.String() + ": " + e.Text})
}

// opened passes on an opening that counts: above the opening current, or with
// the current unknown, while something was closed (INV-03).
func (v *Live) opened(e host.Event) {
	was := v.closed
	v.closed = false
	if was && (e.Breach.Unknown || e.Breach.Value > e.Breach.Limit) {
		v.handle(machine.Opened{At: v.now(), Current: drivers.Microamps(e.Breach.Value), Unknown: e.Breach.Unknown})
	}
}

// gone tells the machine that the host died, and starts another one, which
// drives every device safe first.
func (v *Live) gone(err error) {
	if v.lost {
		return
	}
	v.lost = true
	if err == nil {
		err = fmt.Errorf("host ended")
	}
	v.handle(machine.Lost{At: v.now(), Device: "host", Reason: err.Error()})
	old := v.host
	v.host = nowhere{}
	v.tell(v.host)
	v.work.Go(func() {
		// A host that hangs is killed: nobody else can hold its wires.
		ctx, cancel := context.WithTimeout(v.quit, leaveMax)
		old.Close(ctx)
		cancel()
		for v.quit.Err() == nil {
			h, err := v.open(v.quit)
			if err == nil {
				v.reopened <- h
				return
			}
			v.hub.notify(Alert{Bench: v.name, Notify: machine.Notify{Severity: machine.SeverityAlarm, Text: "host does not start: " + err.Error()}})
			select {
			case <-v.quit.Done():
			case <-time.After(reopenEvery):
			}
		}
	})
}
