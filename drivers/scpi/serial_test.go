//go:build linux

package scpi_test

import (
	"bufio"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/scpi"
)

// line is a serial line to a fake: the instrument's end of a pseudo-terminal.
type line struct {
	master, slave *os.File
	work          sync.WaitGroup
	once          sync.Once
}

// plug connects f to the path.
func plug(t *testing.T, f *fake, path string) *line {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Skipf("no pseudo-terminals here: %v", err)
	}
	// A read of the instrument's end must end with its close.
	fd, err := syscall.Dup(int(master.Fd()))
	require.NoError(t, err)
	require.NoError(t, syscall.SetNonblock(fd, true))
	require.NoError(t, master.Close())
	master = os.NewFile(uintptr(fd), "instrument")
	l := &line{master: master, slave: slave}
	_ = os.Remove(path)
	require.NoError(t, os.Symlink(slave.Name(), path))
	l.work.Go(func() {
		lines := bufio.NewScanner(master)
		for lines.Scan() {
			m := strings.TrimRight(lines.Text(), "\r")
			f.mu.Lock()
			f.log = append(f.log, m)
			special := f.special[m]
			reply := ""
			if special == nil {
				reply = f.usual(m)
			}
			f.mu.Unlock()
			if special != nil {
				special(nil)
			}
			if reply != "" {
				if _, err := master.WriteString(reply + "\n"); err != nil {
					return
				}
			}
		}
	})
	t.Cleanup(l.pull)
	return l
}

// pull ends the line as an adapter does that is pulled out.
func (l *line) pull() {
	l.once.Do(func() {
		_ = l.slave.Close()
		_ = l.master.Close()
		l.work.Wait()
	})
}

func TestSerial(t *testing.T) {
	f := newFake(t)
	path := filepath.Join(t.TempDir(), "port")
	l := plug(t, f, path)
	p := supplyAt(t, scpi.Options{Address: "serial:" + path + "?baud=115200"})
	readsAgain(t, p, 5120)
	log := f.messages()
	require.Greater(t, len(log), 2)
	assert.Equal(t, []string{"", "*IDN?"}, log[:2], "what a broken message left behind is ended first")
	_, err := p.Arm(patience(t), fakeLimits)
	require.NoError(t, err)
	require.NoError(t, p.Set(patience(t), fakeSet))

	// A reply cut in half; the rest of it comes when the next one is awaited.
	half := true
	f.trick("MEAS:VOLT?", func(conn) bool {
		if half {
			_, _ = l.master.WriteString("11.")
		} else {
			_, _ = l.master.WriteString("1\n51.2\n")
		}
		half = false
		return true
	})
	_, err = p.Read(shortly(t))
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	_, _ = p.Read(patience(t))
	f.straight("MEAS:VOLT?")
	readsAgain(t, p, 5120)

	// The port vanishes with the output on, and comes back.
	l.pull()
	require.NoError(t, os.Remove(path))
	require.Eventually(t, func() bool {
		_, err = p.Read(patience(t))
		return err != nil && strings.Contains(err.Error(), "open "+path)
	}, patienceLimit, tick)
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	assert.ErrorContains(t, err, "supply at serial:")
	require.ErrorIs(t, p.Halt(shortly(t)), drivers.ErrNoAnswer)
	f.messages()
	plug(t, f, path)
	require.NoError(t, p.Halt(patience(t)))
	assert.Equal(t, []string{"", "OUTP OFF", "*IDN?"}, f.messages()[:3])
	f.mu.Lock()
	defer f.mu.Unlock()
	assert.Equal(t, "0", f.vals["OUTP"])
}
