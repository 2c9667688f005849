package scpi

import (
	"embed"
	"slices"
	"strings"
)

//go:embed dialects/*.yaml
var shipped embed.FS

// Shipped returns the dialect of that name that comes with the program.
func Shipped(name string) ([]byte, bool) {
	src, err := shipped.ReadFile("dialects/" + name + ".yaml")
	return src, err == nil
}

// Names lists the shipped dialects.
func Names() []string {
	files, _ := shipped.ReadDir("dialects") // embedded: it cannot fail
	var names []string
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	slices.Sort(names)
	return names
}
