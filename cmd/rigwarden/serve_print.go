package main

import (
	"fmt"

	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// alert prints what a person must know; it must not block for long.
func (a *app) alert(bench string, n machine.Notify) {
	fmt.Fprintf(a.out, "%s: %s: %s\n", bench, n.Severity, n.Text)
}

// printBench prints a bench's worst times to zero current, path by path.
func (a *app) printBench(f *benchFile) {
	fmt.Fprintf(a.out, "bench %s, lease %s\n", f.describe(), shortSpan(int64(f.Lease)))
	t := newTable("  if this breaks", "this switches off", ">within")
	for _, p := range host.Paths(&f.Bench.Bench, host.Timing{}) {
		within := shortSpan(int64(p.Worst))
		if !p.Bounded {
			within = "never: not for unattended runs"
		}
		t.row("  "+p.Fault, p.Acts, within)
	}
	t.print(a.out)
}
