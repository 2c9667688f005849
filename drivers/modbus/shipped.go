package modbus

import (
	"embed"
	"path"
	"strings"
)

//go:embed maps/*.yaml
var shipped embed.FS

// Shipped returns the text of a register map that comes with the package.
func Shipped(name string) ([]byte, bool) {
	src, err := shipped.ReadFile("maps/" + name + ".yaml")
	return src, err == nil
}

// Names lists the shipped register maps in alphabetical order.
func Names() []string {
	entries, err := shipped.ReadDir("maps")
	if err != nil {
		return nil // the folder is part of the binary
	}
	var names []string
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(path.Base(e.Name()), ".yaml"))
	}
	return names
}
