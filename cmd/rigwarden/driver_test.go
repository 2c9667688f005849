package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/plugin"
)

// A plugin is checked as a user does it: without permission nothing is switched
// on, and the table says what held.
func TestDriverCheck(t *testing.T) {
	t.Parallel()
	dir, err := os.MkdirTemp("", "rigwarden-") // short enough for a socket
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	out, err := exec.Command("go", "build", "-o", dir, "../../drivers/examples/gosupply").CombinedOutput()
	require.NoError(t, err, "%s", out)
	socket, record := filepath.Join(dir, "s"), filepath.Join(dir, "record")
	served := exec.Command(filepath.Join(dir, "gosupply"), "-listen", "unix:"+socket, "-record", record)
	require.NoError(t, served.Start())
	t.Cleanup(func() { _ = served.Process.Kill(); _ = served.Wait() }) // it never ends by itself
	require.Eventually(t, func() bool { _, err := os.Stat(socket); return err == nil }, 20*time.Second, 10*time.Millisecond)

	check := func(args ...string) (code int, out, err string) {
		var o, e bytes.Buffer
		a := newApp(time.Now)
		a.out, a.err = &o, &e
		code = a.main(append([]string{"driver", "check", "unix:" + socket}, args...))
		return code, o.String(), e.String()
	}
	code, text, progress := check()
	require.Zero(t, code, progress)
	require.Contains(t, text, "supply: slipway gosupply GS-01 1\na frame every 100 ms, lease 1.0 s\n")
	require.Regexp(t, `(?m)^beats +held +every device's counter moves`, text)
	require.Regexp(t, `(?m)^supply/silence +not checked  the communication timeout`, text)
	require.NotContains(t, text, "load/silence")
	require.Contains(t, text, "10 not checked: it energises what is connected, which was not permitted\n")
	require.Contains(t, text, "\n5 held, 0 failed, 29 not checked\n")
	require.Contains(t, progress, " 1 of 34  identity\n")
	require.NotContains(t, progress, "CAUTION")
	b, err := os.ReadFile(record)
	require.NoError(t, err)
	require.Empty(t, b, "the output moved without permission")

	// More than the supply can give: its range is what fails, and the exit code
	// says so.
	code, text, progress = check("--json", "--energise", "--current", "30 A", "--limit", "20s")
	require.Equal(t, exitNotPassed, code)
	require.Contains(t, progress, "CAUTION")
	var r plugin.Report
	require.NoError(t, json.Unmarshal([]byte(text), &r))
	require.Equal(t, 34, len(r.Results))
	outcome := map[string]drivertest.Result{}
	for _, c := range r.Results {
		outcome[c.Check] = c
	}
	require.Equal(t, drivertest.Held, outcome["supply/unarmed"].Outcome)
	require.Equal(t, drivertest.Failed, outcome["supply/set-absolute"].Outcome)
	require.Contains(t, outcome["supply/set-absolute"].Why, "30.000 A at 55.000 V is beyond the armed 20.000 A at 60.000 V")
	require.True(t, outcome["box/halt"].Absent)
}
