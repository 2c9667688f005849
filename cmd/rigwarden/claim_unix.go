//go:build unix

package main

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// claimOne locks a device's file; the kernel lets go of it when the process
// ends, however it ends.
func claimOne(key string) (*os.File, error) {
	path := claimFile(key)
	// Another user's file can be opened for reading only, which is enough.
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		if f, err = os.OpenFile(path, os.O_CREATE|os.O_RDONLY, 0o644); errors.Is(err, os.ErrExist) {
			f, err = os.Open(path)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("claim of %s: %w", key, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, errClaimed
		}
		return nil, fmt.Errorf("claim of %s: %w", key, err)
	}
	return f, nil
}
