package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/orchestrator/service"
)

// Exit codes. Scripts may rely on them; `rigwarden --help` prints them.
const (
	exitPassed      = 0
	exitInternal    = 1
	exitUsage       = 2
	exitNotPassed   = 3
	exitTripped     = 4
	exitUnreachable = 5
	exitRefused     = 6
	exitUnwatched   = 7
)

// exitCodes is the table of --help.
var exitCodes = []struct {
	code int
	what string
}{
	{exitPassed, "done, and passed where there was something to judge"},
	{exitInternal, "a mistake inside rigwarden"},
	{exitUsage, "the command line or a file has mistakes"},
	{exitNotPassed, "done, but the verdict is not a pass, or a record does not follow from its data"},
	{exitTripped, "a limit tripped: the bench is latched until a person acknowledges"},
	{exitUnreachable, "no orchestrator answers, or the store cannot be opened"},
	{exitRefused, "refused: busy, latched, unknown, not running, or against the limits"},
	{exitUnwatched, "no longer watching: the run goes on, and nothing is known of its end"},
}

func exitCodeHelp() string {
	var b strings.Builder
	b.WriteString("Exit codes:\n")
	for _, e := range exitCodes {
		fmt.Fprintf(&b, "  %d  %s\n", e.code, e.what)
	}
	return b.String()
}

// exitOfKind says which exit code an error's kind gives.
func exitOfKind(k service.Kind) int {
	switch k {
	case service.KindInvalid, service.KindTooLarge:
		return exitUsage
	case service.KindUnreachable, service.KindLocked, service.KindUnreadable, service.KindNewer:
		return exitUnreachable
	case service.KindNotFound, service.KindBusy, service.KindLatched, service.KindNotRunning,
		service.KindRefused, service.KindReadOnly, service.KindFull:
		return exitRefused
	case service.KindCanceled:
		return exitNotPassed
	}
	return exitInternal
}

// ending is a command's way to end with an exit code after it has printed
// everything it had to say.
type ending struct{ code int }

func (e ending) Error() string { return fmt.Sprintf("exit code %d", e.code) }

// usageError marks what a person typed wrongly.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// exitOf returns an error's exit code.
func exitOf(err error) int {
	var end ending
	var use usageError
	switch {
	case err == nil:
		return exitPassed
	case errors.As(err, &end):
		return end.code
	case errors.As(err, &use):
		return exitUsage
	}
	return exitOfKind(service.FromStatus(err).Kind)
}
