package main

import (
	"bytes"
	"os"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/assert"
	"go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/orchestrator/record"
)

// changes are what somebody with a store file and a hex editor might do. Each
// replaces a text by another of the same length.
var changes = map[string][2]string{
	"figure":  {`{"name":"module_resistance_1s","value":9`, `{"name":"module_resistance_1s","value":8`},
	"verdict": {`"decision":"pass","criteria"`, `"decision":"fail","criteria"`},
	"audit":   {`"what":"judge","text":"pass`, `"what":"judge","text":"fail`},
}

// tamper changes a store behind the program's back:
//
//	tamper FILE figure|verdict|audit|block
//
// "block" flips one bit in the middle of the first run's first sealed block.
func tamper(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: tamper FILE WHAT")
	}
	path := ts.MkAbs(args[0])
	b, err := os.ReadFile(path)
	ts.Check(err)
	if args[1] == "block" {
		at := bytes.Index(b, firstBlock(ts, path))
		if at < 0 {
			ts.Fatalf("%s: its first block is not in one piece", args[0])
		}
		b[at+len(firstBlock(ts, path))/2] ^= 0x10
		ts.Check(os.WriteFile(path, b, 0o600))
		return
	}
	c, ok := changes[args[1]]
	if !ok || len(c[0]) != len(c[1]) || !bytes.Contains(b, []byte(c[0])) {
		ts.Fatalf("%s: nothing in it to change: %q", args[0], c[0])
	}
	ts.Check(os.WriteFile(path, bytes.ReplaceAll(b, []byte(c[0]), []byte(c[1])), 0o600))
}

func firstBlock(ts *testscript.TestScript, path string) (block []byte) {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{ReadOnly: true})
	ts.Check(err)
	defer db.Close()
	ts.Check(db.View(func(tx *bbolt.Tx) error {
		block = bytes.Clone(tx.Bucket([]byte("chunks")).Get([]byte{0, 0, 0, 1, 0, 0, 0, 0}))
		return nil
	}))
	return block
}

func TestDigestOfAPrintedRecord(t *testing.T) {
	for typed, follows := range map[string]bool{
		"":                      true,
		"ab12cd34":              true,
		"AB12 CD34 EF":          true,  // as a person copies it
		"ab12cd3":               false, // too short to tell
		"ab12cd35":              false,
		"ab12cd34ef00000000000": false,
	} {
		v := &verified{Digest: "ab12cd34ef56", Follows: true, Intact: true}
		v.compareDigest(typed)
		assert.Equal(t, follows, v.Follows, typed)
	}
}

// A difference is another version's only where the audit trail vouches for the
// figures and nothing else is wrong.
func TestDifferencesAreBlamedOnAVersionOnlyWhereNothingWasChanged(t *testing.T) {
	for _, c := range []struct {
		name            string
		differ, vouched bool
		intact          bool
		now             string
		follows, whole  bool
	}{
		{"nothing differs", false, true, true, "pass", true, true},
		{"another version", true, true, true, "pass", false, true},
		{"another version with another verdict", true, true, true, "fail", false, false},
		{"nobody vouches", true, false, true, "pass", false, false},
		{"something else is wrong", true, true, false, "pass", false, false},
	} {
		v := &verified{Follows: c.intact, Intact: c.intact, Stored: "pass", Now: c.now}
		if c.differ {
			v.Compare = []record.Difference{{Where: "capacity"}}
		}
		v.compareFigures(c.vouched)
		assert.Equal(t, c.follows, v.Follows, c.name)
		assert.Equal(t, c.whole, v.Intact, c.name)
	}
}
