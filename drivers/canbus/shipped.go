package canbus

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"
)

//go:embed maps
var shipped embed.FS

// Names lists the signal maps that ship with the driver, as bench files name
// them.
func Names() []string {
	var names []string
	files, _ := fs.Glob(shipped, "maps/*.yaml")
	for _, f := range files {
		names = append(names, strings.TrimSuffix(strings.TrimPrefix(f, "maps/"), ".yaml"))
	}
	return names
}

// Shipped returns the text of a signal map by its name.
func Shipped(name string) ([]byte, bool) {
	text, err := shipped.ReadFile("maps/" + name + ".yaml")
	return text, err == nil
}

// ShippedDBC returns what ParseMap needs to find the DBC file that a shipped
// map names. The common monitor's is made for the bench's cells and sensors.
func ShippedDBC(cells, temps int) func(file string) (name string, text []byte, err error) {
	return func(file string) (string, []byte, error) {
		if file == commonDBC {
			return file, []byte(CommonDBC(cells, temps)), nil
		}
		text, err := shipped.ReadFile("maps/" + file)
		if err != nil {
			return file, nil, fmt.Errorf("no DBC file %q is shipped", file)
		}
		return file, text, nil
	}
}

const commonDBC = "common-monitor.dbc"
