//go:build unix

package main

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// claimOne locks a device's files, one at least; the kernel lets go of them when
// the process ends, however it ends.
func claimOne(key string) ([]*os.File, error) {
	var files []*os.File
	var failed []error
	for _, folder := range claimFolders() {
		f, err := claimIn(claimFile(folder, key))
		switch {
		case err == nil:
			files = append(files, f)
		case errors.Is(err, errClaimed):
			for _, f := range files {
				f.Close()
			}
			return nil, err
		default:
			failed = append(failed, err)
		}
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("claim of %s: %w", key, errors.Join(failed...))
	}
	return files, nil
}

func claimIn(path string) (*os.File, error) {
	// Another user's file can be opened for reading only, which is enough.
	f, err := os.Open(path)
	if errors.Is(err, os.ErrNotExist) {
		if f, err = os.OpenFile(path, os.O_CREATE|os.O_RDONLY, 0o644); err == nil {
			_ = f.Chmod(0o644) // others must be able to open it, whatever the umask
		}
	}
	if err == nil {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	}
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = errClaimed
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return f, nil
}
