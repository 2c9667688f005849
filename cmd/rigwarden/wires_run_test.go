//go:build linux

package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers/virtual/wire"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
)

// apart starts the cells further from each other than the shipped bench does,
// where the first look at the imbalance finds 2.13 %, its uncertainty added, and
// the quick profile demands 2 %: noise could decide whether there is a second
// round. From 2.4 % the first look finds 3.2 % and the second 1.6 %, which noise
// of 0.02 % (a tap's 0.1 mV on 16 mV for each percent) does not take across.
var apart = edit{"state_spread: 1.2 %", "state_spread: 2.4 %", 1}

// freePorts are addresses on which nobody listens, on a loopback address that no
// other test uses.
func freePorts(t *testing.T) wire.Addresses {
	t.Helper()
	var held []net.Listener // all at once, so that no two are the same
	defer func() {
		for _, l := range held {
			assert.NoError(t, l.Close())
		}
	}()
	next := func() string {
		l, err := net.Listen("tcp", "127.0.0.2:0")
		require.NoError(t, err)
		held = append(held, l)
		return "tcp:" + l.Addr().String()
	}
	return wire.Addresses{Supply: next(), Load: next(), Meter: next(), Box: next(), Monitor: []string{next()}}
}

// instrumentsProcess is `rigwarden virtual serve` for a bench file, on ports that
// were free, until the test ends; it returns once the instruments answer.
func instrumentsProcess(t *testing.T) (bench, record string) {
	t.Helper()
	dir := t.TempDir()
	record, bench = filepath.Join(dir, "record"), filepath.Join(dir, "bench.yaml")
	text := practiceText(t, append(movedTo(freePorts(t)), apart)...)
	require.NoError(t, os.WriteFile(bench, []byte(text), 0o600))
	cmd := exec.Command(realTime, "virtual", "serve", "--bench", bench, "--record", record)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		require.NoError(t, cmd.Process.Signal(os.Interrupt))
		assert.NoError(t, cmd.Wait(), "virtual serve ends well on Ctrl-C")
	})
	s := bufio.NewScanner(out)
	for s.Scan() && !strings.Contains(s.Text(), "Ctrl-C ends the instruments") {
	}
	require.Contains(t, s.Text(), "Ctrl-C", "virtual serve listens")
	return bench, record
}

// quick runs the quick profile to its verdict and returns what there is to tell.
func quick(t *testing.T, bench string, args ...string) report {
	t.Helper()
	dir := t.TempDir()
	d := &daemon{dir: dir, address: "unix:" + filepath.Join(dir, "s"), log: filepath.Join(dir, "log"), args: append([]string{"--bench", bench}, args...)}
	d.serve(t)
	d.register(t, "QK-01")
	d.do(t, "run", "start", "--bench", practiceBench, "--module", "QK-01", "--profile", "quick", "--criteria", "quick", "--who", "technician")
	out, err := d.client(t, "run", "watch", "r000001")
	var exit *exec.ExitError
	if err != nil {
		require.ErrorAs(t, err, &exit, out)
	}
	var r report
	awaitThat(t, seldom, "the verdict", func() bool {
		out, err := d.client(t, "run", "show", "r000001", "--json")
		require.NoError(t, err, out)
		require.NoError(t, json.Unmarshal([]byte(out), &r), out)
		return r.Verdict != nil
	})
	return r
}

var cellNumber = regexp.MustCompile(`cell \d+`)

// eitherFull are the two ways in which a top-up finds an article full: the current tapered
// off, or cells that relaxed a little longer leave it none to begin with.
var eitherFull = strings.NewReplacer("taper current with cell held", "full", "no current fits under the hold voltage", "full")

// sequence is what a run did, without what noise and some milliseconds decide: which
// of two equal cells was the first at its voltage, how a top-up found the article full,
// and how many rounds balancing took.
func sequence(r report) (list []string) {
	for _, s := range r.Steps {
		end := cellNumber.ReplaceAllString(s.End, "cell")
		line := fmt.Sprintf("%s, pass %d: %s", s.Label, s.Pass, end)
		if strings.HasPrefix(s.Label, "balance/") {
			line = fmt.Sprintf("%s: %s", s.Label, eitherFull.Replace(end))
			if slices.Contains(list, line) {
				continue
			}
		}
		list = append(list, line)
	}
	return list
}

// rounds is how often balancing bled.
func rounds(r report) (n int) {
	for _, s := range r.Steps {
		if s.Label == "balance/bleed" {
			n++
		}
	}
	return n
}

// The quick profile over SCPI, CAN and Modbus, with instruments, orchestrator,
// host and judge in processes of their own, and the same bench file simulated in
// one process: the same steps end for the same reasons, the verdict is the same,
// and every proven figure agrees within what both say of its uncertainty.
func TestWiresQuick(t *testing.T) {
	overWires(t)
	var bench, record string
	var over report
	for try := 1; ; try++ {
		bench, record = instrumentsProcess(t)
		began := time.Now()
		over = quick(t, bench)
		t.Logf("over wires: %v in %v %v", over.Run["outcome"], time.Since(began).Round(time.Second), over.Trip)
		if over.Run["outcome"] == "done" {
			break
		}
		// A machine too busy for the instruments' deadlines stops a run, in safety;
		// the next one begins with a new article.
		require.Regexp(t, "no longer answers|no frame|gave nothing new|gives no reading", fmt.Sprint(over.Run["reason"], over.Trip))
		require.Less(t, try, 3)
	}
	inside := quick(t, bench, "--virtual-time")
	require.Equal(t, "done", inside.Run["outcome"], inside.Run["reason"])
	assert.Equal(t, false, over.Run["virtual"])
	assert.Equal(t, true, inside.Run["virtual"])
	require.NotEmpty(t, over.Steps)
	assert.Equal(t, sequence(inside), sequence(over))
	assert.InDelta(t, rounds(inside), rounds(over), 1)
	assert.Equal(t, qualify.Pass, over.Verdict.Decision)
	assert.Equal(t, inside.Verdict.Decision, over.Verdict.Decision)
	sameFigures(t, inside.Figures.Figures, over.Figures.Figures)

	// The instruments confirm that there was something behind it.
	b, err := os.ReadFile(record)
	require.NoError(t, err)
	for _, word := range []string{" supply flowing ", " supply zero ", " load flowing ", " load zero ", " box contacts negative+positive\n", " monitor bleeding "} {
		assert.Contains(t, string(b), word)
	}
}

// atTheEnd is why a pulse of 2 s has no resistance at 2 s where no frame happens to
// fall on its end; figures that come of it have none either.
var atTheEnd = regexp.MustCompile(`the current falls after|the pulse lasted`)

// sameFigures compares figure by figure.
func sameFigures(t *testing.T, inside, over []qualify.Figure) {
	t.Helper()
	type key struct {
		name string
		cell int
	}
	late := map[string]bool{}
	for _, f := range append(slices.Clone(inside), over...) {
		if atTheEnd.MatchString(f.Reason) {
			late[strings.TrimPrefix(f.Name, "module_")] = true
		}
	}
	both := func(list []qualify.Figure) []qualify.Figure {
		return slices.DeleteFunc(slices.Clone(list), func(f qualify.Figure) bool {
			return late[strings.TrimPrefix(f.Name, "module_")] || len(late) > 0 && strings.HasPrefix(f.Name, "pulse_power") // at the latest of them
		})
	}
	inside, over = both(inside), both(over)
	others := map[key]qualify.Figure{}
	for _, f := range inside {
		others[key{f.Name, f.Cell}] = f
	}
	require.Len(t, over, len(inside), "as many figures")
	compared := 0
	for _, f := range over {
		v, ok := others[key{f.Name, f.Cell}]
		if !assert.True(t, ok, "%s of cell %d is told over wires only", f.Name, f.Cell) {
			continue
		}
		assert.Equal(t, v.Status, f.Status, "%s of cell %d", f.Name, f.Cell)
		if v.Status != qualify.OK || f.Status != qualify.OK {
			continue // what is unproven claims no uncertainty either
		}
		compared++
		own := 0.0
		if strings.HasPrefix(f.Name, "temperature") {
			own = 0.1 // K: the two runs wait at different places, and warm by as much
		}
		assert.LessOrEqual(t, math.Abs(f.Value-v.Value), f.U+v.U+own, "%s of cell %d: %g +/- %g over wires, %g +/- %g inside", f.Name, f.Cell, f.Value, f.U, v.Value, v.U)
		t.Logf("%-28s cell %2d: %10.5g +/- %8.3g over wires, %10.5g +/- %8.3g inside", f.Name, f.Cell, f.Value, f.U, v.Value, v.U)
	}
	assert.GreaterOrEqual(t, compared, 10)
}
