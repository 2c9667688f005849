package profiles

import (
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// The drivers that a bench file can name.
const (
	DriverVirtual = "virtual"
	DriverSCPI    = "scpi"
	DriverCAN     = "canbus"
	DriverModbus  = "modbus"
	DriverPlugin  = "plugin"
)

// wired says what a driver serves and what it needs beside its name: the key of
// the file that tells it how the instrument speaks, and what addresses look like.
type wired struct {
	roles                 []string // none: every role
	mapKey, like, address string
}

var wires = map[string]wired{
	DriverVirtual: {},
	DriverSCPI:    {[]string{"supply", "load", "meter"}, "dialect", "common-supply", "tcp:10.0.0.5:5025 or serial:/dev/ttyUSB0?baud=9600"},
	DriverCAN:     {[]string{"monitor"}, "signals", "monitor.yaml", "can:can0, unix:/run/bench/can.sock, tcp:10.0.0.5:29536 or log:recorded.log"},
	DriverModbus:  {[]string{"box"}, "registers", "common-box", "tcp:10.0.0.5:502 or rtu:/dev/ttyUSB0?baud=19200"},
	DriverPlugin:  {nil, "", "", "exec:./driver.py, unix:/run/bench/driver.sock or tcp:10.0.0.5:7700"},
}

// readWire reads how an instrument is reached and who must answer there.
func readWire(f *tree.Fields) drivers.Wire {
	names := []string{DriverVirtual, DriverSCPI, DriverCAN, DriverModbus, DriverPlugin}
	w := drivers.Wire{Driver: f.Choice("driver", true, names...), Address: f.Optional("address")}
	kind, known := wires[w.Driver]
	if len(kind.roles) > 0 && !slices.Contains(kind.roles, f.What) {
		f.Report.Addf(f.At["driver"], "it is for "+strings.Join(kind.roles, ", ")+"; a plugin serves any instrument", "driver %q cannot be the %s", w.Driver, f.What)
		f.Ignore()
		return drivers.Wire{}
	}
	for _, key := range []string{"dialect", "signals", "registers"} {
		if known && key == kind.mapKey {
			w.Map = strings.TrimSpace(f.Text(key, "name the file that says how it speaks, such as "+kind.like))
		} else if n := f.Find(key); n != nil {
			right := "leave it out"
			if kind.mapKey != "" {
				right = "a " + w.Driver + " driver has " + kind.mapKey
			}
			f.Report.Addf(n.At, right, "%s: %s says nothing to driver %q", f.What, key, w.Driver)
		}
	}
	switch n := f.Find("address"); {
	case kind.address != "" && n == nil && f.Node.Kind == tree.Map:
		f.Report.Addf(f.Node.At, "say where it answers, such as "+kind.address, "%s lacks \"address\" for driver %q", f.What, w.Driver)
	case w.Driver == DriverVirtual && n != nil:
		f.Report.Addf(n.At, "leave it out", "%s: a virtual instrument has no address", f.What)
	case n != nil && kind.address != "" && !slices.ContainsFunc(schemes[w.Driver], func(s string) bool { return strings.HasPrefix(w.Address, s) && len(w.Address) > len(s) }):
		f.Report.Addf(n.At, kind.address, "%s: %q is no address for driver %q", f.What, w.Address, w.Driver)
	}
	if n := f.Find("identity"); n != nil {
		c := f.Report.Fields(n, f.What+".identity")
		w.Expect = drivers.Identity{Maker: c.Optional("maker"), Model: c.Optional("model"), Serial: c.Optional("serial"), Firmware: c.Optional("firmware")}
		if w.Expect == (drivers.Identity{}) && n.Kind == tree.Map {
			f.Report.Addf(n.At, "give maker, model or serial as the instrument says them", "%s.identity is empty", f.What)
		}
		c.Finish()
	}
	return w
}

// schemes are how the addresses of each driver begin.
var schemes = map[string][]string{
	DriverSCPI:   {"tcp:", "serial:"},
	DriverCAN:    {"can:", "unix:", "tcp:", "log:"},
	DriverModbus: {"tcp:", "rtu:"},
	DriverPlugin: {"exec:", "unix:", "tcp:"},
}
