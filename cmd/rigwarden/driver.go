package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/plugin"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

func (a *app) driverCmd() *cobra.Command {
	return group("driver", "Check drivers of your own",
		"  rigwarden driver check -- python3 my_supply.py", a.driverCheckCmd())
}

// driverFlags are the flags of `driver check`.
type driverFlags struct {
	bench, current string
	roles          []string
	energise       bool
	limit          time.Duration
}

func (a *app) driverCheckCmd() *cobra.Command {
	var f driverFlags
	c := &cobra.Command{
		Use:   "check ADDRESS | -- COMMAND [ARG...]",
		Short: "Run the conformance suite against a driver plugin and print what holds",
		Long: `Run the conformance suite of the drivers' contract against a plugin, in real time, and
print for each demand whether it held, failed or was not checked. The plugin is started
by COMMAND, or runs already and is reached at ADDRESS (unix:/path, tcp:host:port).

Without --energise only those checks run that switch nothing on. With it, outputs are
switched on, contactors closed and cells bled: connect a source of voltage that takes the
current, such as a battery, within the instruments' ranges, and stay with it. An
orchestrator that uses the same instrument must be stopped first.

Exit code 0: nothing that was checked failed. 3: something did.`,
		Example: "  rigwarden driver check -- python3 my_supply.py\n" +
			"  rigwarden driver check --energise --current 1A tcp:10.0.0.7:7100",
		Args: cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error { return a.driverCheck(cmd.Context(), args, &f) },
	}
	c.Flags().StringVar(&f.bench, "bench", "", "bench file that says what the instruments can do; default: what the plugin says")
	c.Flags().StringSliceVar(&f.roles, "role", nil, "check only these roles (supply, load, box, monitor, meter)")
	c.Flags().BoolVar(&f.energise, "energise", false, "also run the checks that switch on what is connected")
	c.Flags().StringVar(&f.current, "current", "", "the current to let flow (default: a tenth of the range)")
	c.Flags().DurationVar(&f.limit, "limit", time.Minute, "the longest that one check may take")
	return c
}

// driverCautions is what a person reads before anything is switched on.
const driverCautions = `CAUTION  This switches outputs on, closes contactors and bleeds cells. Let nothing be connected
that may not be charged or discharged, stay with it, and have the emergency stop at hand. Above
60 V d.c. touch is hazardous: follow local law, codes and licensed practice.
`

func (a *app) driverCheck(ctx context.Context, args []string, f *driverFlags) error {
	o, err := driverOptions(args, f)
	if err != nil {
		return err
	}
	if f.energise {
		fmt.Fprint(a.err, driverCautions, "\n")
	}
	o.Begin = func(c drivertest.Check, number, of int) {
		if !a.json {
			fmt.Fprintf(a.err, "%2d of %d  %s\n", number, of, c.Name)
		}
	}
	claimed, err := claimDevices(ctx, []device{{"plugin", profiles.DriverPlugin, o.Address}}, 0)
	if err != nil {
		return err
	}
	defer claimed.release()
	c, err := plugin.NewChecker(ctx, o)
	if err != nil {
		e := &service.Error{Kind: service.KindUnreachable, What: oneSentence(err), Want: "drivers/plugin/PLUGINS.md says what a plugin must do"}
		for _, answered := range []error{host.ErrHandshake, host.ErrVersion, host.ErrStart, host.ErrImpossible, host.ErrLeaseShort, drivers.ErrRefused} {
			if errors.Is(err, answered) {
				e.Kind = service.KindRefused
			}
		}
		return e
	}
	r := c.Run(ctx)
	if a.json {
		if err := a.printJSON(r); err != nil {
			return err
		}
	} else {
		a.printDriver(r)
	}
	if r.Count(drivertest.Failed) > 0 || ctx.Err() != nil {
		return ending{exitNotPassed}
	}
	return nil
}

// driverOptions reads the command line.
func driverOptions(args []string, f *driverFlags) (plugin.CheckOptions, error) {
	o := plugin.CheckOptions{Address: args[0], Energise: f.energise, Limit: f.limit}
	if scheme, _, ok := strings.Cut(args[0], ":"); !ok || !slices.Contains([]string{"exec", "unix", "tcp"}, scheme) {
		o.Address = plugin.CommandAddress(args...)
	} else if len(args) > 1 {
		return o, usagef("%s is an address, and %q follows it; an address stands alone", args[0], args[1])
	}
	if f.limit <= 0 {
		return o, usagef("--limit %v; above 0 would be right", f.limit)
	}
	if f.current != "" {
		ua, err := tree.ParseQuantity(f.current, tree.DimCurrent)
		if err != nil {
			return o, usagef("--current: %w", err)
		}
		if o.Current = drivers.Microamps(ua); ua <= 0 {
			return o, usagef("--current %s; above 0 would be right", f.current)
		}
	}
	for _, name := range f.roles {
		role := host.RoleNone
		for r := host.RoleSupply; r <= host.RoleMeter; r++ {
			if r.String() == name {
				role = r
			}
		}
		if role == host.RoleNone {
			return o, usagef("--role %s; supply, load, box, monitor or meter would be right", name)
		}
		o.Roles = append(o.Roles, role)
	}
	if f.bench != "" {
		b, err := readBench(f.bench)
		if err != nil {
			return o, err
		}
		o.Bench = &b.Bench.Bench
	}
	return o, nil
}

// demandRest is what the other columns take of the screen.
const demandRest = 36

// printDriver prints the table, and what did not hold in full beneath it.
func (a *app) printDriver(r *plugin.Report) {
	for _, d := range r.Devices {
		fmt.Fprintf(a.out, "%s: %s\n", d.Role, strings.Join(strings.Fields(d.Maker+" "+d.Model+" "+d.Serial+" "+d.Firmware), " "))
	}
	fmt.Fprintf(a.out, "a frame every %s, lease %s\n\n", shortSpan(int64(r.Period)), shortSpan(int64(r.Lease)))
	t := newTable("check", "outcome", "demanded")
	for _, c := range r.Results {
		if c.Absent {
			continue
		}
		name, outcome := c.Check, string(c.Outcome)
		for _, l := range wrap(c.Demanded, screen-demandRest) {
			t.row(name, outcome, l)
			name, outcome = "", ""
		}
	}
	t.print(a.out)
	fmt.Fprintln(a.out)
	left := map[string]int{}
	for _, c := range r.Results {
		switch c.Outcome {
		case drivertest.Failed:
			a.printFailed(c)
		case drivertest.NotChecked:
			left[c.Why]++
		}
	}
	for _, why := range slices.Sorted(maps.Keys(left)) {
		fmt.Fprintf(a.out, "%d not checked: %s\n", left[why], why)
	}
	fmt.Fprintf(a.out, "%d held, %d failed, %d not checked\n", r.Count(drivertest.Held), r.Count(drivertest.Failed), r.Count(drivertest.NotChecked))
}

func (a *app) printFailed(c drivertest.Result) {
	fmt.Fprintf(a.out, "%s %s\n", a.paint(red, "failed"), c.Check)
	for _, l := range wrap(c.Why, screen-2) {
		fmt.Fprintf(a.out, "  %s\n", l)
	}
}

// oneSentence is an error of several parts in one line.
func oneSentence(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }
