package store

import (
	"os"
	"path/filepath"

	bolt "go.etcd.io/bbolt"
)

// create puts an empty database where there is no file yet: whole, or not at all.
// bbolt makes one in place, and what a power cut leaves of that looks like a
// damaged store. Where the file system has no links, or anything else is in the
// way, bbolt's own way remains.
func create(path string, sync bool) {
	if _, err := os.Lstat(path); !os.IsNotExist(err) {
		return
	}
	aside := path + ".new"
	_ = os.Remove(aside) // left by one that was cut short
	db, err := bolt.Open(aside, 0o600, &bolt.Options{Timeout: defaultTimeout})
	if err != nil {
		return
	}
	defer os.Remove(aside)
	if db.Close() != nil {
		return
	}
	// A link and no renaming: another process may have made the store meanwhile.
	if os.Link(aside, path) == nil && sync {
		_ = syncFolder(filepath.Dir(path))
	}
}
