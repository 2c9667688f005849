// Command gosupply is a worked plugin in Go: a driver of one supply. host.Main
// and host.Listen bring the lease, the handshake and the wire; what is left is
// the instrument (supply.go), which here is pretended.
//
// A bench file names it by exec:gosupply or, when it runs already, by the
// address that it was told to listen at.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// bench describes what the plugin holds: when it reads, how long it stays
// energised without renewal, and what its supply can do.
var bench = drivers.Bench{
	Name:    "gosupply",
	Monitor: drivers.MonitorSpec{Period: 100 * drivers.Millisecond}, // between frames
	Lease:   drivers.Second,
	Supply: drivers.PowerSpec{
		VoltageMax: 60 * drivers.Volt, CurrentMax: 20 * drivers.Ampere,
		VoltageStep: 1000, CurrentStep: 1000, // uV, uA
		VoltageAcc: drivers.Accuracy{GainPPM: 500, Offset: 5000},
		CurrentAcc: drivers.Accuracy{GainPPM: 1000, Offset: 5000},
		Delay:      drivers.Millisecond,
	},
}

func main() {
	address := flag.String("listen", "", "serve at unix:/path or tcp:host:port; empty: be started by a bench's host")
	record := flag.String("record", os.DevNull, "append what the output did to this file")
	silence := flag.Duration("silence", 0, "the instrument's own timeout: it goes off when not spoken to for so long; 0: it has none")
	flag.Parse()
	bench.Supply.CommTimeout = drivers.Span(silence.Microseconds())
	build := func(context.Context) (host.Config, error) {
		file, err := os.OpenFile(*record, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			return host.Config{}, err
		}
		s := &supply{spec: &bench.Supply, record: file}
		return host.Config{Bench: bench, Part: true, Set: drivers.Set{Supply: s}}, nil
	}
	serve := host.Main
	if *address != "" {
		serve = func(ctx context.Context, build func(context.Context) (host.Config, error)) error {
			return host.Listen(ctx, *address, build)
		}
	}
	if err := serve(context.Background(), build); err != nil {
		fmt.Fprintln(os.Stderr, "gosupply:", err)
		os.Exit(1)
	}
}
