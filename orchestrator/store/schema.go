package store

import (
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
	"unicode"

	bolt "go.etcd.io/bbolt"
)

// schema is the version of everything below: buckets, keys and values. A file
// with a higher one is refused; a lower one would be brought up to date here.
const schema = 1

// The buckets. Numbers in keys are big-endian, so that keys sort as numbers do.
var (
	metaBucket    = []byte("meta")       // schema -> decimal
	moduleBucket  = []byte("modules")    // serial 0 be32(registration) -> JSON Module
	textBucket    = []byte("texts")      // SHA-256 in hex -> packed text
	runBucket     = []byte("runs")       // be32(run) -> JSON RunInfo
	openBucket    = []byte("open")       // be32(run) -> nothing: not ended, or not sealed
	chunkBucket   = []byte("chunks")     // be32(run) be32(chunk) -> link and frame block
	lineBucket    = []byte("lines")      // be32(run) be32(chunk) -> packed lines
	binBucket     = []byte("aggregates") // be32(run) be32(level in s) be32(chunk) -> block of bins
	pieceBucket   = []byte("pieces")     // be64(piece) be32(run) -> piece
	urgentBucket  = []byte("urgent")     // be32(run) be64(line) -> one line
	markBucket    = []byte("energised")  // bench -> JSON mark
	latchBucket   = []byte("latches")    // bench -> JSON Latch
	auditBucket   = []byte("audit")      // be64(entry) -> JSON Audit
	figuresBucket = []byte("figures")    // be32(run) -> JSON Figures
)

var buckets = [][]byte{
	metaBucket, moduleBucket, textBucket, runBucket, openBucket, chunkBucket, lineBucket,
	binBucket, pieceBucket, urgentBucket, markBucket, latchBucket, auditBucket, figuresBucket,
}

// checkBucket holds first checks: serial 0 be32(check) -> JSON Check. It is made
// with the first of them; files without one, and programs that do not know it,
// lose nothing, so the schema is the same.
var checkBucket = []byte("checks")

var schemaKey = []byte("schema")

// initialise makes the buckets of a new file.
func initialise(tx *bolt.Tx) error {
	for _, name := range buckets {
		if _, err := tx.CreateBucketIfNotExists(name); err != nil {
			return fmt.Errorf("bucket %s: %w", name, err)
		}
	}
	return tx.Bucket(metaBucket).Put(schemaKey, []byte(strconv.Itoa(schema)))
}

// checkSchema reports a file that is not ours or too new; empty says that it is
// a database in which nothing was ever stored.
func checkSchema(tx *bolt.Tx) (empty bool, err error) {
	meta := tx.Bucket(metaBucket)
	if meta == nil || meta.Get(schemaKey) == nil {
		if k, _ := tx.Cursor().First(); k == nil {
			return true, nil
		}
		return false, ErrForeign
	}
	v, err := strconv.Atoi(string(meta.Get(schemaKey)))
	switch {
	case err != nil || v < 1:
		return false, fmt.Errorf("%w: schema %q", ErrDamaged, meta.Get(schemaKey))
	case v > schema:
		return false, fmt.Errorf("%w: %d, this program knows up to %d; use the newer program", ErrSchema, v, schema)
	}
	for _, name := range buckets {
		if tx.Bucket(name) == nil {
			return false, fmt.Errorf("%w: bucket %s is missing", ErrDamaged, name)
		}
	}
	return false, nil
}

// runID and runNumber turn a run's number into its name and back.
func runID(no uint32) string { return fmt.Sprintf("r%06d", no) }

func runNumber(id string) (uint32, error) {
	digits, ok := strings.CutPrefix(id, "r")
	n, err := strconv.ParseUint(digits, 10, 32)
	if !ok || err != nil || runID(uint32(n)) != id {
		return 0, fmt.Errorf("run %q: %w (runs are named like r000017)", id, ErrNotFound)
	}
	return uint32(n), nil
}

func key32(a uint32) []byte { return binary.BigEndian.AppendUint32(nil, a) }

func key3232(a, b uint32) []byte { return binary.BigEndian.AppendUint32(key32(a), b) }

func key323232(a, b, c uint32) []byte { return binary.BigEndian.AppendUint32(key3232(a, b), c) }

func key3264(a uint32, b uint64) []byte { return binary.BigEndian.AppendUint64(key32(a), b) }

func key64(a uint64) []byte { return binary.BigEndian.AppendUint64(nil, a) }

// pieceKey puts the piece's number first: pieces of all runs are then appended
// at one end of the tree, which bbolt does several times faster than inserting
// in as many places as there are runs.
func pieceKey(piece uint64, run uint32) []byte {
	return binary.BigEndian.AppendUint32(key64(piece), run)
}

// maxName bounds names that become keys.
const maxName = 200

// checkName refuses names that make no key or no line.
func checkName(what, name string) error {
	if name == "" {
		return fmt.Errorf("%w: %s is empty", ErrBadValue, what)
	}
	if len(name) > maxName || strings.ContainsFunc(name, unicode.IsControl) {
		return fmt.Errorf("%w: %s %.20q...: at most %d bytes, no control characters", ErrBadValue, what, name, maxName)
	}
	return nil
}
