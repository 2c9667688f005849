//go:build unix

package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
)

// someDevice is one that no other test claims.
func someDevice(t *testing.T) []device {
	d := []device{{"supply", profiles.DriverSCPI, fmt.Sprintf("tcp:%s-%d.invalid:5025", t.Name(), os.Getpid())}}
	t.Cleanup(func() {
		for _, folder := range claimFolders() {
			os.Remove(claimFile(folder, d[0].driver+" "+d[0].address))
		}
	})
	return d
}

// Two processes that speak to one device keep its limit on silence from running
// out for each other. One that waits for its turn gets it once the other, whose
// orchestrator was killed perhaps, has let go.
func TestClaims(t *testing.T) {
	d := someDevice(t)
	first, err := claimDevices(t.Context(), append(d, d...), 0)
	require.NoError(t, err, "a device of two roles is claimed once")
	_, err = claimDevices(t.Context(), d, 0)
	var busy *service.Error
	require.ErrorAs(t, err, &busy)
	assert.Equal(t, service.KindBusy, busy.Kind)
	assert.Contains(t, err.Error(), "another process speaks to the supply")

	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	got := make(chan error, 1)
	go func() {
		second, err := claimDevices(ctx, d, time.Minute)
		if err == nil {
			second.release()
		}
		got <- err
	}()
	select {
	case err := <-got:
		t.Fatal("claimed twice", err)
	case <-time.After(3 * claimLook):
	}
	first.release()
	require.NoError(t, <-got)
}

// A folder that takes no claim, as /run/lock on systems where root alone may
// write there, is no reason to leave a device unclaimed or a bench unused.
func TestClaimInOneFolderIsEnough(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	d := someDevice(t)
	lock := claimFile(claimFolders()[0], d[0].driver+" "+d[0].address)
	if err := os.Symlink(filepath.Join(t.TempDir(), "no", "such", "folder"), lock); err != nil {
		t.Log("no claim can lie there on this machine anyway:", err)
	}
	first, err := claimDevices(t.Context(), d, 0)
	require.NoError(t, err)
	defer first.release()
	require.Len(t, first.files, 1)
	_, err = claimDevices(t.Context(), d, 0)
	require.ErrorContains(t, err, "another process speaks to the supply")
}

// A monitor behind a plugin sends its own temperatures; those of a temperature
// module are put in on this side.
func TestPluginOptionsLeaveThermometersOut(t *testing.T) {
	b := &profiles.Bench{Thermometers: &profiles.Thermometers{Sensors: []int{4, 5}}}
	b.Monitor = drivers.MonitorSpec{Cells: 24, Temps: 6}
	o := pluginOptions(opening{file: &benchFile{Bench: b}}, "unix:/run/monitor.sock", []string{"monitor"})
	assert.Equal(t, 4, o.Bench.Monitor.Temps)
	assert.Equal(t, 6, b.Monitor.Temps)
	assert.Equal(t, []host.Role{host.RoleMonitor}, o.Roles)
}
