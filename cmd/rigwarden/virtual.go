package main

import (
	"context"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/drivers/virtual/wire"
	"github.com/rigwarden/rigwarden/profiles"
)

// practiceBench is the shipped bench whose instruments are on wires.
const practiceBench = "practice-wires"

func (a *app) virtualCmd() *cobra.Command {
	return group("virtual", "Practise with instruments that are not there",
		"  rigwarden virtual serve",
		a.virtualServeCmd())
}

type virtualFlags struct {
	bench, module, record string
	inject                []string
}

func (a *app) virtualServeCmd() *cobra.Command {
	var v virtualFlags
	c := &cobra.Command{
		Use:   "serve",
		Short: "Let virtual instruments answer at the addresses of a bench file",
		Long: `Let a virtual supply, load and meter (SCPI over TCP), a cell monitor (CAN frames over
a socket, or SocketCAN) and a contactor box (Modbus TCP) answer at the addresses that
a bench file names, all joined to one virtual module, in real time, until Ctrl-C. An
orchestrator that serves the same bench file in another terminal cannot tell them
from real ones. Like real ones they keep their output when whoever commands them
dies, until their own limit on silence runs out.

Faults for --inject are those of demo; a fault that waits for a time counts from the
start of this command.`,
		Example: `  rigwarden virtual serve
  rigwarden virtual serve --inject "tap-reads-low cell=7 charging=5s"
  rigwarden virtual serve --bench bench.yaml --record instruments.log`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.virtualServe(cmd.Context(), v) },
	}
	c.Flags().StringVar(&v.bench, "bench", practiceBench, "bench file or shipped bench")
	c.Flags().StringVar(&v.module, "module", "", "module file of the article (default what the bench file's virtual section says)")
	c.Flags().StringArrayVar(&v.inject, "inject", nil, "let this go wrong; demo --help lists the faults")
	c.Flags().StringVar(&v.record, "record", "", "append what the instruments themselves heard and did to this file")
	return c
}

func (a *app) virtualServe(ctx context.Context, v virtualFlags) error {
	f, err := readBench(v.bench)
	if err != nil {
		return err
	}
	mod, err := a.article(v.module)
	if err != nil {
		return err
	}
	faults, err := parseFaults(v.inject)
	if err != nil {
		return err
	}
	c, err := wiring(f)
	if err != nil {
		return err
	}
	now := host.Clock(a.clock())
	rig := virtualRig(f.Bench, mod, now())
	rig.Faults = faults
	if v.record != "" {
		w, err := os.OpenFile(v.record, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			return usagef("--record: %w", err)
		}
		defer w.Close()
		c.Record = w
	}
	b, err := virtual.New(rig)
	if err != nil {
		return usagef("%s: %w", f.name, err)
	}
	c.Realtime = virtual.NewRealtime(b, now)
	s, err := wire.Start(c)
	if err != nil {
		return usagef("%s: %w; addresses of this machine that nobody else listens on would be right", f.name, err)
	}
	a.printWired(f, s.Addresses())
	<-ctx.Done()
	return s.Close()
}

// article reads the module that is under test, or none.
func (a *app) article(arg string) (*profiles.Module, error) {
	if arg == "" {
		return nil, nil
	}
	src, err := readFile(arg)
	if err != nil {
		return nil, err
	}
	m, ps := profiles.ParseModule(src.GetName(), src.GetContent())
	return m, profiles.Error(ps)
}

// wiring says where a bench file's instruments listen.
func wiring(f *benchFile) (wire.Config, error) {
	c := wire.Config{Supply: wire.Off, Load: wire.Off, Meter: wire.Off, Box: wire.Off, Monitor: []string{wire.Off}}
	some := false
	for role, w := range f.Bench.Wires() { // sensors beside them are not simulated
		want := map[string]string{"monitor": profiles.DriverCAN, "box": profiles.DriverModbus}[role]
		if want == "" {
			want = profiles.DriverSCPI
		}
		if w.Driver != want {
			continue // a virtual one is in the orchestrator's process; a plugin is a program of its own
		}
		some = true
		switch role {
		case "supply":
			c.Supply = w.Address
		case "load":
			c.Load = w.Address
		case "meter":
			c.Meter = w.Address
		case "box":
			c.Box = w.Address
		case "monitor":
			c.Monitor = []string{w.Address}
		}
	}
	if !some {
		return c, usagef("%s names no instrument on a wire; one like the shipped %s would be right", f.name, practiceBench)
	}
	return c, nil
}

func (a *app) printWired(f *benchFile, at wire.Addresses) {
	fmt.Fprint(a.out, "Virtual instruments: they move numbers only. Never give a real instrument's address here.\n\n")
	t := newTable("instrument", "answers at", "speaks")
	row := func(name, address, speaks string) {
		if address != "" {
			t.row(name, address, speaks)
		}
	}
	row("supply", at.Supply, "SCPI")
	row("load", at.Load, "SCPI")
	row("meter", at.Meter, "SCPI")
	row("box", at.Box, "Modbus TCP")
	for _, m := range at.Monitor {
		row("monitor", m, "CAN")
	}
	t.print(a.out)
	fmt.Fprintf(a.out, "\nIn another terminal:\n  rigwarden bench check %s\n  rigwarden serve --bench %s --store rig.db\nCtrl-C ends the instruments.\n", f.arg, f.arg)
}
