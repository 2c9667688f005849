//go:build unix

package main

import (
	"bufio"
	"bytes"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// far is more runs than any machine makes while a test lasts.
const far = "1000000000"

var (
	counted  = regexp.MustCompile(`(?m)^(\d+) runs, seeds 1 to (\d+), `)
	notHeld  = regexp.MustCompile(`(?m)^(?:\x1b\[1;31m)?NOT FINISHED(?:\x1b\[0m)?: ended after (\d+) of ` + far + ` runs, with nothing found in these\r?$`)
	underWay = regexp.MustCompile(`([1-9]\d*) of ` + far + ` runs, 0 not held, [0-9hms]+ left`)
)

// endedEarly demands that a rehearsal says how many runs it made, and not that
// everything held.
func endedEarly(t *testing.T, err error, out string) {
	t.Helper()
	var ended *exec.ExitError
	require.ErrorAs(t, err, &ended, out)
	assert.Equal(t, exitNotPassed, ended.ExitCode(), out)
	said := notHeld.FindStringSubmatch(out)
	require.NotNil(t, said, out)
	if said[1] == "0" {
		assert.Contains(t, out, "no run was finished")
	} else {
		runs := counted.FindStringSubmatch(out)
		require.NotNil(t, runs, out)
		assert.Equal(t, []string{said[1], said[1]}, runs[1:], "as many as there are seeds")
	}
	assert.NotRegexp(t, `(?m)^(\x1b\[[0-9;]*m)?HELD`, out)
}

// Ctrl-C ends a rehearsal in good order. What was asked for and not made proves
// nothing.
func TestRehearsalEndedEarlyIsNotHeld(t *testing.T) {
	t.Parallel()
	cmd := exec.Command(realTime, "rehearse", "--seeds", far)
	var out bytes.Buffer
	cmd.Stdout = &out
	progress, err := cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	told := bufio.NewReader(progress)
	first, err := told.ReadString('\n')
	require.NoError(t, err)
	assert.Regexp(t, `^about [0-9.]+ runs a minute; `+far+` take about [0-9hms]+\. Ctrl-C ends early and tells what was seen\.\n$`, first)
	require.NoError(t, cmd.Process.Signal(os.Interrupt))
	_, err = io.Copy(io.Discard, told)
	require.NoError(t, err)
	endedEarly(t, cmd.Wait(), out.String())
}

// On a terminal progress is told in place, with the time left, and taken away
// before the summary; Ctrl-C there is a key.
func TestRehearsalOnATerminal(t *testing.T) {
	t.Parallel()
	cmd := exec.Command(realTime, "rehearse", "--seeds", far)
	screen, err := pty.Start(cmd)
	require.NoError(t, err)
	defer screen.Close()
	var seen strings.Builder
	pressed := false
	for b := make([]byte, 4096); ; {
		n, err := screen.Read(b)
		seen.Write(b[:n])
		if !pressed && underWay.MatchString(seen.String()) {
			pressed = true
			_, err := screen.Write([]byte{3}) // Ctrl-C
			require.NoError(t, err)
		}
		if err != nil { // a terminal whose last process has ended
			break
		}
	}
	out := seen.String()
	require.True(t, pressed, "it tells how far it is: %q", out)
	told := underWay.FindAllStringIndex(out, -1)
	_, after, found := strings.Cut(out[told[len(told)-1][1]:], "\r\x1b[K")
	require.True(t, found, "the line of progress is taken away: %q", out)
	assert.Contains(t, after, " runs, seeds 1 to ")
	endedEarly(t, cmd.Wait(), strings.ReplaceAll(after, "\r", ""))
}
