package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/orchestrator/service"
)

// silence is the proof, or not, of one instrument's limit on silence.
type silence struct {
	Role      string       `json:"role"`
	TimeoutUs drivers.Span `json:"timeout_us"`
	Proven    bool         `json:"proven"`
	// TookUs is how long it had been left alone when it was found off.
	TookUs drivers.Span `json:"took_us"`
	Why    string       `json:"why,omitempty"`
}

// prove lets a host of its own prove every limit on silence that the bench
// declares, one after the other. What one instrument does not hold keeps the
// others from nothing.
func (a *app) prove(ctx context.Context, f *benchFile) ([]silence, error) {
	if isVirtual(f.Bench) {
		return nil, usagef("--prove: bench %s is simulated in this process; there is nobody whose silence could prove anything", f.Name)
	}
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	c, err := host.Start(ctx, host.Command(exec.Command(self, "host", "--bench", f.arg)), host.Options{Bench: f.Bench.Bench, Now: host.Clock(a.clock())})
	if err != nil {
		return nil, &service.Error{Kind: service.KindUnreachable, What: err.Error(), Where: "bench " + f.Name, Want: "every instrument that the bench file names must answer"}
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), hostLeave)
		defer cancel()
		if err := c.Close(ctx); err != nil {
			fmt.Fprintf(a.err, "rigwarden: host: %v\n", err)
		}
	}()
	var out []silence
	for _, one := range []struct {
		role    host.Role
		timeout drivers.Span
		limits  drivers.Protection
	}{
		{host.RoleSupply, f.Supply.CommTimeout, full(&f.Supply)},
		{host.RoleLoad, f.Load.CommTimeout, full(&f.Load)},
		{host.RoleBox, f.Box.Heartbeat, drivers.Protection{}},
	} {
		if one.timeout == 0 {
			continue
		}
		if !a.json {
			fmt.Fprintf(a.err, "leaving the %s alone for %s ...\n", one.role, shortSpan(int64(one.timeout)))
		}
		out = append(out, proveOne(ctx, c, one.role, one.timeout, one.limits))
	}
	return out, nil
}

// hostLeave bounds how long a host may take to end.
const hostLeave = 10 * time.Second

// proveSlack is what a proof takes beside the silence itself.
const proveSlack = 10 * drivers.Second

func proveOne(ctx context.Context, c *host.Client, role host.Role, timeout drivers.Span, limits drivers.Protection) silence {
	ctx, cancel := context.WithTimeout(ctx, time.Duration(2*timeout+proveSlack)*time.Microsecond)
	defer cancel()
	s := silence{Role: role.String(), TimeoutUs: timeout}
	p, err := c.Prove(ctx, role, limits, false)
	if err != nil {
		s.Why = err.Error()
		return s
	}
	s.Proven, s.TookUs = p.Proven, p.Took
	return s
}

// full are the widest limits that an instrument can guard.
func full(p *drivers.PowerSpec) drivers.Protection {
	return drivers.Protection{VoltageMax: p.VoltageMax, CurrentMax: p.CurrentMax, CommTimeout: p.CommTimeout}
}

func (a *app) printProofs(list []silence) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(a.out)
	for _, p := range list {
		if p.Proven {
			fmt.Fprintf(a.out, "%s: proved: off by itself, found so after %s of silence\n", p.Role, shortSpan(int64(p.TookUs)))
			continue
		}
		fmt.Fprintf(a.out, "%s: NOT PROVED: %s\n", p.Role, p.Why)
	}
}
