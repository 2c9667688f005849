package profiles

import (
	"net"
	"slices"
	"strconv"
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

// driverNames are those words in the order in which messages list them.
var driverNames = []string{DriverVirtual, DriverSCPI, DriverCAN, DriverModbus, DriverPlugin}

// wired says what a driver serves and what it needs beside its name.
type wired struct {
	// like is an instrument's map as an example, by the roles that it serves.
	// Nil: every role of a bench but those of sensors, without a map.
	like map[string]string
	// mapKey is the key that names the map.
	mapKey string
	// schemes are how addresses begin, address shows them whole.
	schemes []string
	address string
}

var wires = map[string]wired{
	DriverVirtual: {},
	DriverSCPI: {map[string]string{"supply": "common-supply", "load": "common-load", "meter": "common-meter"}, "dialect",
		[]string{"tcp:", "serial:"}, "tcp:10.0.0.5:5025 or serial:/dev/ttyUSB0?baud=9600"},
	DriverCAN: {map[string]string{"monitor": "common-monitor"}, "signals",
		[]string{"can:", "unix:", "tcp:", "log:"}, "can:can0, unix:/run/bench/can.sock, tcp:10.0.0.5:29536 or log:recorded.log"},
	DriverModbus: {map[string]string{"box": "common-box", "thermometers": "common-thermometer", "insulation": "common-insulation"}, "registers",
		[]string{"tcp:", "rtu:"}, "tcp:10.0.0.5:502 or rtu:/dev/ttyUSB0?baud=19200"},
	DriverPlugin: {nil, "", []string{"exec:", "unix:", "tcp:"}, "exec:./driver.py, unix:/run/bench/driver.sock or tcp:10.0.0.5:7700"},
}

// roles are what an instrument can be, as the file calls it.
var roles = []string{"monitor", "supply", "load", "box", "meter", "thermometers", "insulation"}

// sensorRoles are roles without a driver interface of their own: what they read
// goes into other instruments' readings or is read before arming.
var sensorRoles = []string{"thermometers", "insulation"}

// serves says whether the driver can be the instrument of a role.
func (w *wired) serves(role string) bool {
	if w.like == nil {
		return !slices.Contains(sensorRoles, role)
	}
	_, ok := w.like[role]
	return ok
}

func (w *wired) roles() []string {
	return slices.DeleteFunc(slices.Clone(roles), func(role string) bool { return !w.serves(role) })
}

// Instrument is one instrument of a bench with its role there, as the file
// calls it.
type Instrument struct {
	Role string
	drivers.Wire
}

// Instruments lists what a bench file names, in the order of the file's own
// description; thermometers and insulation only where it has them.
func (b *Bench) Instruments() []Instrument {
	out := []Instrument{{"monitor", b.Monitor.Wire}, {"supply", b.Supply.Wire}, {"load", b.Load.Wire}, {"box", b.Box.Wire}, {"meter", b.Meter.Wire}}
	if b.Thermometers != nil {
		out = append(out, Instrument{"thermometers", b.Thermometers.Wire})
	}
	if b.Insulation != nil {
		out = append(out, Instrument{"insulation", b.Insulation.Wire})
	}
	return out
}

// readWire reads how an instrument is reached and who must answer there.
func readWire(f *tree.Fields) drivers.Wire {
	w := drivers.Wire{Driver: f.Choice("driver", true, driverNames...)}
	kind, known := wires[w.Driver]
	if known && !kind.serves(f.What) {
		right := "it is for " + strings.Join(kind.roles(), ", ")
		if kind.like == nil {
			right = "take driver " + DriverModbus
		} else if !slices.Contains(sensorRoles, f.What) {
			right += "; a plugin serves any instrument"
		}
		f.Report.Addf(f.At["driver"], right, "driver %q cannot be the %s", w.Driver, f.What)
		known = false
	}
	if !known {
		// What the other keys have to say hangs on the driver: one mistake is
		// told, not what follows from it.
		for _, key := range []string{"address", "dialect", "signals", "registers"} {
			f.Find(key)
		}
		readIdentity(f)
		return drivers.Wire{}
	}
	w.Address = readAddress(f, w.Driver, &kind)
	w.Map = readMap(f, w.Driver, &kind)
	w.Expect = readIdentity(f)
	return w
}

func readAddress(f *tree.Fields, driver string, kind *wired) string {
	n := f.Find("address")
	if kind.address == "" {
		if n != nil {
			f.Report.Addf(n.At, "leave it out", "%s: a %s instrument has no address", f.What, driver)
		}
		return ""
	}
	right := "say where it answers, such as " + kind.address
	if n == nil {
		if f.Node.Kind == tree.Map {
			f.Report.Addf(f.Node.At, right, "%s lacks \"address\" for driver %q", f.What, driver)
		}
		return ""
	}
	s, ok := f.Scalar("address", n, right)
	if !ok {
		return ""
	}
	if why := badAddress(s, kind.schemes); why != "" {
		f.Report.Addf(n.At, right, "%s: address %q %s", f.What, s, why)
	}
	return s
}

// badAddress says what is wrong with an address, or nothing. What stands behind
// a question mark only the driver knows.
func badAddress(s string, schemes []string) string {
	scheme, rest, found := strings.Cut(s, ":")
	switch {
	case !found || !slices.Contains(schemes, scheme+":"):
		return "does not begin with " + strings.Join(schemes, " or ")
	case rest == "" || strings.HasPrefix(rest, "?"):
		return "names nothing after " + scheme + ":"
	case strings.TrimSpace(rest) != rest:
		return "has blanks at its ends"
	case scheme != "tcp":
		return ""
	}
	place, _, _ := strings.Cut(rest, "?")
	host, port, err := net.SplitHostPort(place)
	if n, perr := strconv.ParseUint(port, 10, 16); err != nil || perr != nil || n == 0 || host == "" {
		return "is not host and port"
	}
	return ""
}

func readMap(f *tree.Fields, driver string, kind *wired) string {
	for _, key := range []string{"dialect", "signals", "registers"} {
		n := f.Find(key)
		if n == nil || key == kind.mapKey {
			continue
		}
		right := "leave it out"
		if kind.mapKey != "" {
			right = "a " + driver + " driver has " + kind.mapKey
		}
		f.Report.Addf(n.At, right, "%s: %s says nothing to driver %q", f.What, key, driver)
	}
	if kind.mapKey == "" {
		return ""
	}
	return strings.TrimSpace(f.Text(kind.mapKey, "name the file that says how it speaks, such as "+kind.like[f.What]))
}

// readIdentity reads what the instrument must say of itself. A part that is
// given must say something: an empty one would compare nothing.
func readIdentity(f *tree.Fields) drivers.Identity {
	var id drivers.Identity
	n := f.Find("identity")
	if n == nil {
		return id
	}
	c := f.Report.Fields(n, f.What+".identity")
	parts := []struct {
		key  string
		into *string
	}{{"maker", &id.Maker}, {"model", &id.Model}, {"serial", &id.Serial}, {"firmware", &id.Firmware}}
	for _, p := range parts {
		if c.Has(p.key) {
			*p.into = strings.TrimSpace(c.Text(p.key, "write it as the instrument says it, or leave the key out"))
		}
	}
	if n.Kind == tree.Map && len(n.Keys) == 0 {
		f.Report.Addf(n.At, "give maker, model, serial or firmware as the instrument says them", "%s.identity is empty", f.What)
	}
	c.Finish()
	return id
}
