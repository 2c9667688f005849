//go:build unix

package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/stretchr/testify/require"
)

// life is one daemon.
type life struct {
	c     *crash
	what  string
	cmd   *exec.Cmd
	truth string        // folder
	said  chan string   // its lines; closed with its output
	gone  chan struct{} // it has ended
	all   []string

	refused bool // by the machine's scheduling delay
}

// start starts a daemon on the file.
func (c *crash) start(what string) *life {
	c.lives++
	l := &life{
		c: c, what: what, truth: filepath.Join(c.dir, fmt.Sprintf("truth-%d", c.lives)),
		said: make(chan string, 1000), gone: make(chan struct{}),
	}
	args := []string{"serve", "--store", c.path(), "--listen", c.address()}
	for _, b := range crashBenches {
		args = append(args, "--bench", b.bench)
	}
	if c.virtual {
		args = append(args, "--virtual-time")
	} else {
		args = append(args, "--truth", l.truth)
	}
	l.cmd = exec.Command(realTime, args...)
	// A pipe of its own: children of the daemon may hold the other end for a while.
	out, in, err := os.Pipe()
	require.NoError(c.t, err, what)
	l.cmd.Stdout, l.cmd.Stderr = in, in
	require.NoError(c.t, l.cmd.Start(), what)
	require.NoError(c.t, in.Close())
	go func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			select {
			case l.said <- s.Text():
			default: // nobody reads them any more
			}
		}
		close(l.said)
		out.Close()
	}()
	go func() { l.cmd.Wait(); close(l.gone) }()
	c.t.Cleanup(func() { l.cmd.Process.Kill(); <-l.gone })
	return l
}

// until reads what the daemon says up to that line; false where it said so many
// lines before, or ended because the machine is too busy.
func (l *life) until(most int, line string) bool {
	for range most {
		select {
		case s, ok := <-l.said:
			if !ok {
				l.mustBeRefused()
				return false
			}
			l.all = append(l.all, s)
			if strings.HasPrefix(s, line) {
				return true
			}
		case <-time.After(2 * awaitMost):
			require.FailNow(l.c.t, "the daemon hangs", "%s: %s", l.what, strings.Join(l.all, "\n"))
		}
	}
	return false
}

// mustBeRefused demands that a daemon that ended by itself found the machine too
// slow for its leases: that, it is right to refuse.
func (l *life) mustBeRefused() {
	<-l.gone
	l.refused = true
	require.Contains(l.c.t, l.log(), "lease is too short", "%s: the daemon ended by itself", l.what)
}

// refusedMost bounds how often a machine may be too busy, one start after the
// other.
const refusedMost = 50

// serve starts daemons until one serves.
func (c *crash) serve(what string) *life {
	for range refusedMost {
		if l := c.start(what); l.until(1000, serving) {
			return l
		}
	}
	require.FailNow(c.t, "the machine is too busy for the benches' leases", what)
	return nil
}

const serving = "serving at "

// kill kills the daemon once the witness was told so many things, and a moment
// later. Where runs end meanwhile, others begin in virtual time.
func (l *life) kill(w *witness, things int, later time.Duration) {
	t := l.c.t
	hang := time.NewTimer(2 * awaitMost)
	defer hang.Stop()
	var moment <-chan time.Time
	var told <-chan struct{}
	if w != nil {
		told = w.told
	}
	for n := 0; ; {
		if n >= things && moment == nil {
			moment = time.After(later)
		}
		select {
		case <-told:
			n++
			for _, bench := range w.ended() {
				if l.c.virtual { // a real one that has tripped stays latched
					l.c.begin(w, bench)
				}
			}
		case <-moment:
			if l.cmd.Process.Kill() != nil {
				l.mustBeRefused()
				return
			}
			<-l.gone
			l.c.tally.kills++
			return
		case <-l.gone:
			l.mustBeRefused()
			return
		case <-hang.C:
			require.FailNow(t, "nothing is told any more", "%s: %d of %d things: %s", l.what, n, things, l.log())
		}
	}
}

// log is everything that the daemon has said.
func (l *life) log() string {
	for {
		select {
		case s, ok := <-l.said:
			if ok {
				l.all = append(l.all, s)
				continue
			}
		default:
		}
		return strings.Join(l.all, "\n")
	}
}

// flows reads the plant's own log of the true current: whether it ever flowed,
// and whether it does.
func (l *life) flows() (ever, now bool) {
	if l.c.virtual {
		return false, false
	}
	for _, b := range crashBenches {
		log, err := os.ReadFile(filepath.Join(l.truth, b.bench+".truth"))
		if os.IsNotExist(err) {
			continue
		}
		require.NoError(l.c.t, err, l.what)
		lines := strings.Split(strings.TrimRight(string(log), "\n"), "\n")
		ever = ever || strings.Contains(string(log), " flowing ")
		now = now || strings.Contains(lines[len(lines)-1], " flowing ")
	}
	return ever, now
}

// never demands that nothing was energised (INV-06).
func (l *life) never() {
	ever, _ := l.flows()
	require.False(l.c.t, ever, "%s: current flows after a restart", l.what)
}

// zero demands that the true current of a killed daemon's benches ends.
func (l *life) zero() {
	require.Eventually(l.c.t, func() bool { _, now := l.flows(); return !now }, awaitMost, 20*time.Millisecond, "%s: the true current ends", l.what)
	if ever, _ := l.flows(); ever {
		l.c.tally.flowed++
	}
}
