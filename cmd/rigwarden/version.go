package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is what was built: the module's version, or the commit it came from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && (v == "" || v == "(devel)") {
			v = s.Value
		}
	}
	if v == "" {
		return "(devel)"
	}
	return v
}

func (a *app) versionCmd() *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Print what was built",
		Example: "  rigwarden version\n  rigwarden version --json",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			if a.json {
				return a.printJSON(map[string]any{"version": version(), "go": runtime.Version(), "platform": runtime.GOOS + "/" + runtime.GOARCH})
			}
			fmt.Fprintf(a.out, "rigwarden %s %s %s/%s\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
}
