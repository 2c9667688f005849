package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"

	bolt "go.etcd.io/bbolt"
)

// look examines the file at path without changing it: that it is whole, a
// store, of a schema that this program knows, and not held by another process.
// fresh says that there is nothing in it, or no file.
func look(path string, o Options) (fresh bool, err error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist) && !o.ReadOnly:
		return true, nil
	case err != nil:
		return false, err
	case !info.Mode().IsRegular():
		return false, fmt.Errorf("%w: not a regular file", ErrForeign)
	case info.Size() == 0:
		return true, nil
	}
	if err := lookWhole(path); err != nil {
		return false, err
	}
	defer func() {
		if r := recover(); r != nil {
			fresh, err = false, fmt.Errorf("%w: %v", ErrDamaged, r)
		}
	}()
	o.ReadOnly = true
	var file *os.File
	options := boltOptions(o)
	options.OpenFile = func(name string, flag int, mode os.FileMode) (*os.File, error) {
		f, err := os.OpenFile(name, flag, mode)
		file = f
		return f, err
	}
	db, err := bolt.Open(path, 0o600, options)
	if err != nil {
		return false, openError(err)
	}
	defer file.Close()
	defer db.Close()
	err = guarded(func() error {
		return db.View(func(tx *bolt.Tx) error {
			fresh, err = checkSchema(tx)
			return err
		})
	})
	return fresh, err
}

// bbolt's header pages: a page header of 16 bytes, then magic, version, page
// size and flags (32 bits each), root page and sequence, free list, end of
// pages, transaction and checksum (64 bits each), in the machine's byte order.
const (
	metaAt       = 16
	metaMagic    = 0xED0CDAED
	metaPageSize = 8
	metaEnd      = 40
	metaTx       = 48
	metaSum      = 56
	metaSize     = 64
)

// lookWhole reports a file shorter than its header says, or without a sound
// header. Mapped pages beyond a file's end would kill the process when read.
func lookWhole(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return err
	}
	need, ok := int64(0), false
	var latest uint64
	for at := int64(0); at <= 64<<10; at = next(at) {
		page, err := readMeta(file, at)
		if err != nil {
			break
		}
		if end, tx, sound := parseMeta(page); sound && (!ok || tx > latest) {
			need, latest, ok = end, tx, true
		}
	}
	if !ok {
		return fmt.Errorf("%w, or not a store at all: neither of its header pages is sound", ErrDamaged)
	}
	if info.Size() < need {
		return fmt.Errorf("%w: truncated to %d bytes of %d", ErrDamaged, info.Size(), need)
	}
	return nil
}

// next is the next offset at which a header page may begin: 0, then one page of
// any usual size.
func next(at int64) int64 {
	if at == 0 {
		return 1 << 10
	}
	return 2 * at
}

func readMeta(file *os.File, at int64) ([]byte, error) {
	page := make([]byte, metaAt+metaSize)
	if _, err := file.ReadAt(page, at); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	return page[metaAt:], nil
}

func parseMeta(meta []byte) (end int64, tx uint64, sound bool) {
	order := binary.NativeEndian
	if order.Uint32(meta) != metaMagic {
		return 0, 0, false
	}
	h := fnv.New64a()
	h.Write(meta[:metaSum])
	if h.Sum64() != order.Uint64(meta[metaSum:]) {
		return 0, 0, false
	}
	size := int64(order.Uint32(meta[metaPageSize:]))
	return int64(order.Uint64(meta[metaEnd:])) * size, order.Uint64(meta[metaTx:]), true
}
