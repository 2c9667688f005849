package main

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/service"
)

// every calls fn for each command of the program's own.
func every(c *cobra.Command, fn func(*cobra.Command)) {
	fn(c)
	for _, child := range c.Commands() {
		if child.Name() == "help" || child.Name() == "completion" {
			continue
		}
		every(child, fn)
	}
}

// examples are a command's examples, each on one line as a shell takes it.
func examples(c *cobra.Command) []string {
	return strings.Split(strings.ReplaceAll(c.Example, "\\\n", " "), "\n")
}

// shellWords splits a line at spaces outside of double quotes.
func shellWords(line string) []string {
	var out []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			out = append(out, part)
			continue
		}
		out = append(out, strings.Fields(part)...)
	}
	return out
}

func TestEveryCommandIsExplained(t *testing.T) {
	root := newApp(rigTime).root()
	count := 0
	every(root, func(c *cobra.Command) {
		count++
		path := c.CommandPath()
		assert.NotEmpty(t, c.Short, path)
		require.NotEmpty(t, c.Example, path)
		for _, l := range examples(c) {
			assert.True(t, strings.HasPrefix(l, "  rigwarden "), "%s: example %q", path, l)
		}
		assert.NotNil(t, c.Args, "%s says which arguments it takes", path)
		assert.NotNil(t, c.RunE, path)
		var b bytes.Buffer
		c.SetOut(&b)
		require.NoError(t, c.Help())
		for _, l := range strings.Split(b.String(), "\n") {
			if strings.HasPrefix(strings.TrimSpace(l), "--") { // cobra does not wrap flags
				continue
			}
			assert.LessOrEqual(t, utf8.RuneCountInString(l), 110, "%s: %q", path, l)
		}
	})
	assert.GreaterOrEqual(t, count, 28)
}

// Every example must be a command line that the program would take.
func TestEveryExampleParses(t *testing.T) {
	every(newApp(rigTime).root(), func(c *cobra.Command) {
		for _, l := range examples(c) {
			line, _, _ := strings.Cut(strings.TrimSpace(l), " > ")
			args := shellWords(line)[1:]
			root := newApp(rigTime).root()
			found, rest, err := root.Find(args)
			require.NoError(t, err, l)
			require.NoError(t, found.ParseFlags(rest), l)
			if found.Args != nil {
				assert.NoError(t, found.Args(found, found.Flags().Args()), l)
			}
		}
	})
}

// So must every one that the README shows, in its blocks and in its sentences.
func TestEveryCommandOfTheREADMEParses(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	shown := regexp.MustCompile("(?m)^ *(?:\\$ )?(?:go run \\./cmd/)?(rigwarden .*)$|`(rigwarden [^`]*)`").FindAllStringSubmatch(string(text), -1)
	count := 0
	for _, m := range shown {
		line := m[1] + m[2]
		for _, end := range []string{" > ", " #", "; echo", " --help"} {
			line, _, _ = strings.Cut(line, end)
		}
		if strings.Contains(line, " proves ") || strings.Contains(line, " is ") {
			continue // a sentence
		}
		count++
		root := newApp(rigTime).root()
		root.InitDefaultCompletionCmd(shellWords(line)...)
		found, rest, err := root.Find(shellWords(line)[1:])
		require.NoError(t, err, line)
		require.NoError(t, found.ParseFlags(rest), line)
		if found.Args != nil && (m[1] != "" || len(rest) > 0) { // a sentence may name a command alone
			assert.NoError(t, found.Args(found, found.Flags().Args()), line)
		}
	}
	assert.Greater(t, count, 30)
}

func TestHelpListsTheExitCodes(t *testing.T) {
	var b bytes.Buffer
	root := newApp(rigTime).root()
	root.SetOut(&b)
	require.NoError(t, root.Help())
	// The constants, written out: what help prints must be what scripts get.
	for code, word := range map[int]string{
		exitPassed: "passed", exitInternal: "inside rigwarden", exitUsage: "command line", exitNotPassed: "verdict is not a pass",
		exitTripped: "tripped", exitUnreachable: "no orchestrator answers", exitRefused: "refused",
		exitUnwatched: "no longer watching",
	} {
		var line string
		for _, l := range strings.Split(b.String(), "\n") {
			if strings.HasPrefix(l, fmt.Sprintf("  %d  ", code)) {
				line = l
			}
		}
		assert.Contains(t, line, word, "exit code %d", code)
	}
	assert.Len(t, exitCodes, 8)
	for i, e := range exitCodes {
		assert.Equal(t, i, e.code)
	}
}

func TestEveryKindHasAnExitCode(t *testing.T) {
	for kind, want := range map[service.Kind]int{
		service.KindInvalid: exitUsage, service.KindTooLarge: exitUsage,
		service.KindUnreachable: exitUnreachable, service.KindLocked: exitUnreachable,
		service.KindUnreadable: exitUnreachable, service.KindNewer: exitUnreachable,
		service.KindNotFound: exitRefused, service.KindBusy: exitRefused, service.KindLatched: exitRefused,
		service.KindNotRunning: exitRefused, service.KindRefused: exitRefused, service.KindReadOnly: exitRefused,
		service.KindFull: exitRefused, service.KindCanceled: exitNotPassed, service.KindInternal: exitInternal,
	} {
		assert.Equal(t, want, exitOf(&service.Error{Kind: kind}), kind)
		assert.Equal(t, want, exitOf(service.ToStatus(&service.Error{Kind: kind})), "over the wire: %s", kind)
	}
	assert.Equal(t, exitUsage, exitOf(usagef("what")))
	assert.Equal(t, exitTripped, exitOf(ending{exitTripped}))
	assert.Equal(t, exitPassed, exitOf(nil))
}
