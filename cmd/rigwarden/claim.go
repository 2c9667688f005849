package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/rigwarden/rigwarden/orchestrator/service"
)

// claim is the right of one process of this machine to speak to a device. Two
// that speak to one device keep its communication timeout fed for each other:
// the output of a dead orchestrator would stay on.
type claim struct{ files []*os.File }

// errClaimed: another process of this machine speaks to the device.
var errClaimed = errors.New("claimed")

// claimDevices claims all of a bench's devices, or none.
func claimDevices(devices []device) (*claim, error) {
	c := &claim{}
	taken := map[string]bool{}
	for _, d := range devices {
		key := d.driver + " " + d.address
		if d.address == "" || taken[key] {
			continue
		}
		taken[key] = true
		f, err := claimOne(key)
		if errors.Is(err, errClaimed) {
			err = &service.Error{Kind: service.KindBusy, What: fmt.Sprintf("another process speaks to the %s at %s", d.role, d.address),
				Want: "one at a time, since each keeps the instrument's limit on silence from running out; stop the orchestrator or the check that holds it"}
		}
		if err != nil {
			c.release()
			return nil, err
		}
		c.files = append(c.files, f)
	}
	return c, nil
}

// release gives the devices back.
func (c *claim) release() {
	for _, f := range c.files {
		f.Close()
	}
	c.files = nil
}

// claimFile is where a device's claim lies: the one folder that every user of
// the machine can write to and that a restart empties.
func claimFile(key string) string {
	dir := "/run/lock"
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		dir = os.TempDir()
	}
	sum := sha256.Sum256([]byte(key))
	return filepath.Join(dir, "rigwarden-"+hex.EncodeToString(sum[:8])+".lock")
}
