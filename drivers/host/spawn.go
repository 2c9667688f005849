package host

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// Child is a started driver process, or what a test puts in its place.
type Child struct {
	// Stdin takes the lease records; closing it tells the child to halt
	// everything and end.
	Stdin io.WriteCloser
	// Stdout gives the handshake.
	Stdout io.Reader
	// Wait returns once the child is gone, with why. It is called once.
	Wait func() error
	// Kill ends the child without asking.
	Kill func() error
	// Says returns the last lines of what it wrote to its standard error.
	Says func() string
}

// Spawn starts a driver process.
type Spawn func() (*Child, error)

// The environment of a child that Command started.
const (
	envChild  = "RIGWARDEN_DRIVER_CHILD"  // the protocol version; absent: started by hand
	envSocket = "RIGWARDEN_DRIVER_SOCKET" // the path to listen on
)

// Command returns the Spawn of a program, usually the running one itself:
//
//	host.Command(exec.Command(self, "host", "--bench", file))
//
// The command must not have been started; its standard input and output are
// taken over, and its standard error too where it is not set. The child gets a
// process group of its own: Ctrl-C in the daemon's terminal is the daemon's
// affair, and reaches the child as the end of its standard input.
func Command(cmd *exec.Cmd) Spawn {
	return func() (*Child, error) {
		dir, err := os.MkdirTemp("", "rigwarden-")
		if err != nil {
			return nil, fmt.Errorf("a place for the driver's socket: %w", err)
		}
		child, err := start(cmd, dir)
		if err != nil {
			os.RemoveAll(dir)
			return nil, fmt.Errorf("start %s: %w", cmd.Path, err)
		}
		return child, nil
	}
}

func start(cmd *exec.Cmd, dir string) (*Child, error) {
	if cmd.Env == nil {
		cmd.Env = os.Environ()
	}
	cmd.Env = append(cmd.Env, fmt.Sprintf("%s=%d", envChild, Version), envSocket+"="+filepath.Join(dir, "driver.sock"))
	tail := &tail{}
	if cmd.Stderr == nil {
		cmd.Stderr = tail
	}
	detach(cmd)
	cmd.WaitDelay = time.Second // for whoever inherited its standard error
	stdin, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	// Not cmd.StdoutPipe, which Wait closes at once, with what the child said
	// last still unread.
	stdout, w, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	cmd.Stdout = w
	err = cmd.Start()
	w.Close()
	if err != nil {
		stdout.Close()
		return nil, err
	}
	return &Child{
		Stdin:  stdin,
		Stdout: stdout,
		Wait: func() error {
			defer os.RemoveAll(dir)
			err := cmd.Wait()
			// Who reads it has its end now, unless others inherited it.
			time.AfterFunc(cmd.WaitDelay, func() { stdout.Close() })
			return err
		},
		Kill: cmd.Process.Kill,
		Says: tail.String,
	}, nil
}

// tailMax is how much of a child's standard error is kept.
const tailMax = 4 << 10

// tail keeps the end of what is written to it.
type tail struct {
	mu   sync.Mutex
	text []byte
}

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.text = append(t.text, p...)
	if over := len(t.text) - tailMax; over > 0 {
		t.text = append(t.text[:0], t.text[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.ToValidUTF8(string(bytes.TrimSpace(t.text)), "?")
}
