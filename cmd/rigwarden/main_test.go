package main

import (
	"os"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// rigTime is the clock of every command in the sessions: a day of the invented
// refit, so that instants in the screens stay the same.
func rigTime() time.Time { return time.Date(2026, time.October, 12, 6, 30, 0, 0, time.UTC) }

// TestMain lets the sessions run commands inside this test binary.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"rigwarden": func() { os.Exit(newApp(rigTime).main(os.Args[1:])) },
		"rigwarden-real-time": func() { os.Exit(newApp(time.Now).main(os.Args[1:])) },
	})
}

func TestSessions(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata/sessions",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		UpdateScripts:       os.Getenv("UPDATE_SESSIONS") != "",
		Setup: func(e *testscript.Env) error {
			e.Setenv("XDG_STATE_HOME", e.WorkDir+"/state")
			e.Setenv("XDG_RUNTIME_DIR", e.WorkDir)
			e.Setenv("NO_COLOR", "1")
			return nil
		},
	})
}
