//go:build !unix

package host

import (
	"io"
	"os"
	"os/exec"
)

// Elsewhere a child shares its parent's console, and a write to a pipe may
// wait for its reader: no bench has been run there.
func detach(*exec.Cmd) {}

func outlivePipes() {}

var endSignals = []os.Signal{os.Interrupt}

func immediate(io.Writer) (func([]byte) error, bool) { return nil, false }
