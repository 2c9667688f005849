package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// rigTime is the clock of every command in the sessions: a day of the invented
// refit, so that instants in the screens stay the same.
func rigTime() time.Time { return time.Date(2026, time.October, 12, 6, 30, 0, 0, time.UTC) }

// programs are the commands that this test binary can be.
var programs = map[string]func(){
	"rigwarden":           func() { os.Exit(newApp(rigTime).main(os.Args[1:])) },
	"rigwarden-real-time": func() { os.Exit(newApp(time.Now).main(os.Args[1:])) },
}

// raceOptions are for the many processes that the tests start: under the race
// detector each would sleep a second before it ends, for late reports; a tenth of
// that is left. What somebody sets in GORACE holds instead.
const raceOptions = "atexit_sleep_ms=100"

// TestMain lets the sessions run commands inside this test binary.
func TestMain(m *testing.M) {
	if os.Getenv("GORACE") == "" {
		os.Setenv("GORACE", raceOptions)
	}
	testscript.Main(m, programs)
}

func TestSessions(t *testing.T) {
	data, err := filepath.Abs("../../testdata")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata/sessions",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("UPDATE_SESSIONS") != "",
		Cmds:                map[string]func(*testscript.TestScript, bool, []string){"await": await, "newer": newer, "cut": cut, "tamper": tamper, "shelve": shelve},
		Condition: func(cond string) (bool, error) {
			if cond == "race" {
				return raceOn, nil
			}
			return false, fmt.Errorf("unknown condition %q", cond)
		},
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_STATE_HOME", e.WorkDir+"/state")
			e.Setenv("XDG_RUNTIME_DIR", e.WorkDir)
			e.Setenv("NO_COLOR", "1")
			e.Setenv("GORACE", os.Getenv("GORACE"))
			e.Setenv("DATA", data)
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				return err
			}
			_, port, _ := net.SplitHostPort(l.Addr().String())
			e.Setenv("PORT", port)
			if err := l.Close(); err != nil {
				return err
			}
			return nil
		},
	})
}

// awaitMost bounds how long a session waits for what another process does.
const awaitMost = 30 * time.Second

// await runs a command again and again until its output matches:
//
//	await REGEXP COMMAND...
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: await REGEXP COMMAND...")
	}
	want, err := regexp.Compile("(?m)" + args[0])
	ts.Check(err)
	end := time.NewTimer(awaitMost)
	defer end.Stop()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	for {
		err := ts.Exec(args[1], args[2:]...)
		out := ts.ReadFile("stdout")
		if err == nil && want.MatchString(out) {
			return
		}
		select {
		case <-again.C:
		case <-end.C:
			ts.Fatalf("%v never printed %q; at last: %v\n%s%s", args[1:], args[0], err, out, ts.ReadFile("stderr"))
		}
	}
}

// newer makes a store look as if a later program with another schema had written
// it. The schema's number lies in the file behind its key.
func newer(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: newer FILE")
	}
	path := ts.MkAbs(args[0])
	b, err := os.ReadFile(path)
	ts.Check(err)
	if !bytes.Contains(b, []byte("schema1")) {
		ts.Fatalf("%s: no schema 1 in it", args[0])
	}
	ts.Check(os.WriteFile(path, bytes.ReplaceAll(b, []byte("schema1"), []byte("schema9")), 0o600))
}

// cut leaves the first bytes of a file.
func cut(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: cut FILE BYTES")
	}
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	ts.Check(os.Truncate(ts.MkAbs(args[0]), n))
}
