package main

import (
	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/profiles"
)

// completeNames lets the shell complete what flags and arguments name: shipped
// files beside the user's own, and faults. One place, by the flag's name, so
// that a new command has it too.
func completeNames(cmd *cobra.Command) {
	for flag, list := range named {
		if cmd.LocalNonPersistentFlags().Lookup(flag) != nil {
			// A flag that has a completion of its own keeps it.
			_ = cmd.RegisterFlagCompletionFunc(flag, offer(list))
		}
	}
	if kind, ok := namedBy[cmd.CommandPath()]; ok && cmd.ValidArgsFunction == nil {
		cmd.ValidArgsFunction = offer(func() []string { return profiles.Names(kind) })
	}
	for _, c := range cmd.Commands() {
		completeNames(c)
	}
}

// namedBy says what kind of shipped file a command's argument may name.
var namedBy = map[string]profiles.Kind{
	"rigwarden bench check":   profiles.KindBench,
	"rigwarden module add":    profiles.KindModule,
	"rigwarden profile check": profiles.KindProfile,
	"rigwarden profile show":  profiles.KindProfile,
}

// named lists the values of flags, by the flag's name.
var named = map[string]func() []string{
	"bench":    func() []string { return profiles.Names(profiles.KindBench) },
	"module":   func() []string { return profiles.Names(profiles.KindModule) },
	"profile":  func() []string { return profiles.Names(profiles.KindProfile) },
	"criteria": func() []string { return profiles.Names(profiles.KindCriteria) },
	"kind":     func() []string { return []string{"profile", "module", "bench", "criteria"} },
	"inject":   faultNames,
}

func faultNames() []string {
	var out []string
	for _, f := range virtual.Faults() {
		out = append(out, f.Name+"\t"+f.Doc)
	}
	return out
}

// offer completes a word from a list, and with the user's files beside it.
func offer(list func() []string) func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return list(), cobra.ShellCompDirectiveDefault
	}
}
