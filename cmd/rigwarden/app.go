package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"os/user"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"github.com/rigwarden/rigwarden/orchestrator/service"
)

// app is one call of the program: what the flags said and where output goes.
type app struct {
	clock func() time.Time
	out   io.Writer
	err   io.Writer

	server string
	store  string
	json   bool
	who    string

	working bool   // a command's own work has begun
	address string // of the orchestrator being spoken to
}

func newApp(clock func() time.Time) *app {
	if columns, _, err := term.GetSize(int(os.Stdout.Fd())); err == nil {
		fitScreen(columns)
	}
	return &app{clock: clock, out: os.Stdout, err: os.Stderr}
}

// main runs the command line and returns the exit code.
func (a *app) main(args []string) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// One signal ends a command in good order; a second one ends it at once.
	context.AfterFunc(ctx, stop)
	root := a.root()
	root.SetArgs(args)
	root.SetOut(a.out)
	root.SetErr(a.err)
	err := root.ExecuteContext(ctx)
	var use usageError
	if err != nil && !a.working && !errors.As(err, &use) {
		err = usagef("%w; --help tells more", err)
	}
	err = a.explain(err)
	a.report(err)
	return exitOf(err)
}

// report prints an error as what happened; where; what would be right, and the
// single mistakes, if there are several, a line each.
func (a *app) report(err error) {
	var end ending
	if err == nil || errors.As(err, &end) {
		return
	}
	var use usageError
	if errors.As(err, &use) {
		fmt.Fprintf(a.err, "rigwarden: %v\n", use.err)
		return
	}
	e := service.FromStatus(err)
	fmt.Fprintf(a.err, "rigwarden: %s\n", e.Error())
	for _, p := range e.Problems {
		fmt.Fprintf(a.err, "  %s\n", p)
	}
}

const rootLong = `rigwarden proves hand-built high-voltage battery modules on a test bench,
unattended: it runs a profile, watches every cell, stops by itself on a limit
breach, keeps every frame, and judges the module by criteria fixed beforehand.

It is not an emergency stop. That is hard-wired into the contactor coils.`

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:           "rigwarden",
		Short:         "Prove battery modules on a test bench, unattended",
		Long:          rootLong + "\n\n" + strings.TrimRight(exitCodeHelp(), "\n"),
		Example:       "  rigwarden demo\n  rigwarden serve --bench bench.yaml --store rig.db\n  rigwarden run list --store rig.db",
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usagef("%w; %s --help lists what it takes", err, cmd.CommandPath())
	})
	f := root.PersistentFlags()
	f.BoolVar(&a.json, "json", false, "print one JSON object instead of text")
	root.AddCommand(
		a.demoCmd(), a.serveCmd(), a.hostCmd(), a.virtualCmd(),
		a.moduleCmd(), a.profileCmd(), a.benchCmd(), a.runCmd(), a.queueCmd(),
		a.rehearseCmd(), a.studyCmd(), a.figuresCmd(), a.driverCmd(), a.noticeCmd(), a.versionCmd(),
		a.verifyCmd(), a.recordCmd(), a.compareCmd(), a.progressCmd(), a.packCmd(), a.proveCmd(),
	)
	a.tellUsage(root)
	completeNames(root)
	return root
}

// tellUsage makes every mistake on the command line a usage error, whoever
// notices it: whatever fails before a command's own work begins is one.
func (a *app) tellUsage(cmd *cobra.Command) {
	if check := cmd.Args; check != nil {
		cmd.Args = func(c *cobra.Command, args []string) error {
			if err := check(c, args); err != nil {
				return usagef("%w; usage: %s", err, c.UseLine())
			}
			return nil
		}
	}
	if work := cmd.RunE; work != nil {
		cmd.RunE = func(c *cobra.Command, args []string) error {
			a.working = true
			return work(c, args)
		}
	}
	for _, c := range cmd.Commands() {
		a.tellUsage(c)
	}
}

// group makes a command that only holds others.
func group(use, short, example string, children ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Example: example,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	c.AddCommand(children...)
	return c
}

// addWho adds the flag that names the person responsible.
func (a *app) addWho(c *cobra.Command) {
	name := ""
	if u, err := user.Current(); err == nil {
		name = u.Username
	}
	c.Flags().StringVar(&a.who, "who", name, "name of the person, for the record")
	c.Flag("who").DefValue = "your account's name"
}
