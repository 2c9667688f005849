package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/rigwarden/rigwarden/orchestrator/service"
)

// claim is the right of one process of this machine to speak to a device. Two
// that speak to one device keep its communication timeout fed for each other:
// the output of a dead orchestrator would stay on.
type claim struct{ files []*os.File }

// errClaimed: another process of this machine speaks to the device.
var errClaimed = errors.New("claimed")

// claimDevices claims all of a bench's devices, or none. It waits a while for
// another process to let go: one whose orchestrator was killed still takes
// everything off.
func claimDevices(ctx context.Context, devices []device, patience time.Duration) (*claim, error) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	c := &claim{}
	taken := map[string]bool{}
	for _, d := range devices {
		key := d.driver + " " + d.address
		if d.address == "" || taken[key] {
			continue
		}
		taken[key] = true
		files, err := claimSoon(ctx, key)
		if errors.Is(err, errClaimed) {
			err = &service.Error{Kind: service.KindBusy, What: fmt.Sprintf("another process speaks to the %s at %s", d.role, d.address),
				Want: "one at a time, since each keeps the instrument's limit on silence from running out; stop the orchestrator or the check that holds it"}
		}
		if err != nil {
			c.release()
			return nil, err
		}
		c.files = append(c.files, files...)
	}
	return c, nil
}

// How long a host waits for the one before it, and how often it looks.
const (
	claimPatience = 5 * time.Second
	claimLook     = 50 * time.Millisecond
)

// claimSoon claims a device until ctx is over, once at least.
func claimSoon(ctx context.Context, key string) ([]*os.File, error) {
	look := time.NewTicker(claimLook)
	defer look.Stop()
	for {
		files, err := claimOne(key)
		if !errors.Is(err, errClaimed) {
			return files, err
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return nil, err
		}
	}
}

// release gives the devices back.
func (c *claim) release() {
	for _, f := range c.files {
		f.Close()
	}
	c.files = nil
}

// claimFolders are those that a restart empties and that every user of the
// machine can write to: the first on some systems only, where root alone can on
// others. A claim lies in each that will have it.
func claimFolders() []string { return []string{"/run/lock", os.TempDir()} }

// claimFile is a device's claim in a folder.
func claimFile(folder, key string) string {
	sum := sha256.Sum256([]byte(key))
	return filepath.Join(folder, "rigwarden-"+hex.EncodeToString(sum[:8])+".lock")
}
