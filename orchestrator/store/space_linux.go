package store

import (
	"errors"
	"os"
	"syscall"
)

// extend allocates the file's blocks between from and to and makes that known
// to the disk.
func extend(file *os.File, from, to int64) error {
	if to <= from {
		return nil
	}
	err := syscall.Fallocate(int(file.Fd()), 0, from, to-from)
	if errors.Is(err, syscall.EOPNOTSUPP) || errors.Is(err, syscall.ENOSYS) {
		return writeZeros(file, from, to)
	}
	if err != nil {
		return &os.PathError{Op: "fallocate", Path: file.Name(), Err: err}
	}
	return file.Sync()
}

// syncFolder makes a new file's name durable.
func syncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
