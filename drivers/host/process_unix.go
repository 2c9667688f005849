//go:build unix

package host

import (
	"io"
	"os"
	"os/exec"
	"os/signal"
	"syscall"
)

// detach gives the child a process group of its own.
func detach(cmd *exec.Cmd) { cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} }

// outlivePipes keeps a process alive that writes to a standard output or error
// whose reader has died: by default such a write kills it, with its outputs on.
func outlivePipes() { signal.Ignore(syscall.SIGPIPE) }

// endSignals are those that ask a process to end.
var endSignals = []os.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGHUP}

// immediate returns a write that never waits: on a full pipe it fails with
// errPipeFull. ok is false where w is no file; its own Write is used then.
func immediate(w io.Writer) (write func([]byte) error, ok bool) {
	file, isFile := w.(syscall.Conn)
	if !isFile {
		return nil, false
	}
	raw, err := file.SyscallConn()
	if err != nil {
		return nil, false
	}
	// One closure for all writes, so that a write allocates nothing. The caller
	// holds a lock.
	var data []byte
	var n int
	var failed error
	try := func(fd uintptr) bool {
		n, failed = syscall.Write(int(fd), data)
		return true // never wait for the pipe to drain
	}
	return func(b []byte) error {
		data = b
		err := raw.Write(try)
		data = nil
		switch {
		case err != nil:
			return err
		case failed == syscall.EAGAIN:
			return errPipeFull
		case failed != nil:
			return failed
		case n != len(b): // cannot be: a pipe takes up to PIPE_BUF whole or not at all
			return io.ErrShortWrite
		}
		return nil
	}, true
}
