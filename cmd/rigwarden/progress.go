package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// terminal says whether output goes to a person's terminal.
func (a *app) terminal() bool { return isTerminal(a.out) }

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// Colours, which only repeat what the words say.
const (
	red   = "31"
	green = "32"
)

// paint colours a text on a terminal whose owner has not asked for none.
func (a *app) paint(colour, text string) string {
	if !a.terminal() || os.Getenv("NO_COLOR") != "" {
		return text
	}
	return "\x1b[1;" + colour + "m" + text + "\x1b[0m"
}

// progress shows a bench's latest status: in place on a terminal, a line at a
// time otherwise.
type progress struct {
	out   io.Writer
	live  bool
	drawn int // lines of the block on the screen
}

func (a *app) newProgress() *progress { return &progress{out: a.out, live: a.terminal()} }

// status shows one status.
func (p *progress) status(b *rigwardenv1.BenchStatus) {
	if !p.live {
		fmt.Fprintln(p.out, oneLine(b))
		return
	}
	p.clear()
	lines := statusBlock(b)
	fmt.Fprint(p.out, strings.Join(lines, "\n")+"\n")
	p.drawn = len(lines)
}

// say prints a line that stays, above the block.
func (p *progress) say(line string) {
	p.clear()
	fmt.Fprintln(p.out, line)
}

// clear takes the block off the screen.
func (p *progress) clear() {
	if p.drawn > 0 {
		fmt.Fprintf(p.out, "\x1b[%dA\x1b[J", p.drawn)
		p.drawn = 0
	}
}

func (p *progress) done() { p.clear() }

// statusBlock is the status for a terminal, in lines under 100 columns.
func statusBlock(b *rigwardenv1.BenchStatus) []string {
	step := dash(b.GetStep())
	if b.GetStage() != "" {
		step += " (" + b.GetStage() + ")"
	}
	lines := []string{
		fmt.Sprintf("%s  %s  in step %s, left %s; run %s, left %s", word(b.GetPhase()), step,
			clockSpan(b.GetStepSpanUs()), clockSpan(b.GetStepLeftUs()), clockSpan(b.GetRunSpanUs()), clockSpan(b.GetRunLeftUs())),
		fmt.Sprintf("%s  %s  %s  highest %s  lowest %s  %s", maybe(b.VoltageUv, volts), maybe(b.CurrentUa, amps), ampHours(b.GetStepChargeNc()),
			cell(b.CellHighUv, b.GetCellHigh()), cell(b.CellLowUv, b.GetCellLow()), temperatures(b)),
	}
	if b.GetBalance() != nil && b.GetKind() == "balance" {
		lines = append(lines, balancing(b))
	}
	if b.GetLatched() != "" {
		lines = append(lines, "LATCHED: "+clip(b.GetLatched(), 88))
	}
	return lines
}

// cell is a cell's voltage and number.
func cell(uv *int64, number uint32) string {
	if uv == nil {
		return "no reading"
	}
	return fmt.Sprintf("%s #%d", volts(*uv), number)
}

func temperatures(b *rigwardenv1.BenchStatus) string {
	if b.TempHighMk == nil {
		return "no temperature"
	}
	return strings.TrimSuffix(celsius(b.GetTempLowMk()), " degC") + " to " + celsius(b.GetTempHighMk())
}

// oneLine is the status for a pipe.
func oneLine(b *rigwardenv1.BenchStatus) string {
	return fmt.Sprintf("%s  %-9s %-24s %9s left %9s  %10s %10s  high %s low %s  %s  %s",
		day(b.GetAtUs()), word(b.GetPhase()), dash(b.GetStep()), clockSpan(b.GetStepSpanUs()), clockSpan(b.GetStepLeftUs()),
		maybe(b.VoltageUv, volts), maybe(b.CurrentUa, amps),
		cell(b.CellHighUv, b.GetCellHigh()), cell(b.CellLowUv, b.GetCellLow()),
		temperatures(b), ampHours(b.GetStepChargeNc()))
}

// runsTold tells how many runs of a rehearsal are behind and how long the rest
// takes, on standard error: what goes to standard output stays the same for the
// same seeds.
type runsTold struct {
	out           io.Writer
	silent, live  bool
	asked         uint64
	what          string // is counted
	runs, found   int
	begun, latest time.Time
}

func (a *app) newRunsTold(asked uint64) *runsTold {
	return &runsTold{out: a.err, live: isTerminal(a.err), silent: a.json && !isTerminal(a.err), asked: asked, what: "runs"}
}

// How often progress is told: in place on a terminal, in lines elsewhere.
const (
	toldInPlace = 200 * time.Millisecond
	toldInLines = time.Minute
)

// begin says beforehand what the runs will take.
func (p *runsTold) begin(perMinute float64, long time.Duration) {
	p.begun = time.Now()
	p.latest = p.begun
	if p.silent {
		return
	}
	digits := 0
	if perMinute < 10 {
		digits = 1
	}
	fmt.Fprintf(p.out, "about %.*f %s a minute; %d take about %s. Ctrl-C ends early and tells what was seen.\n",
		digits, perMinute, p.what, p.asked, inSeconds(long))
}

// done counts the run of a seed.
func (p *runsTold) done(seed uint64, held bool) {
	if !held {
		p.found++
		if !p.silent {
			p.clear()
			fmt.Fprintf(p.out, "seed %d: not held\n", seed)
		}
	}
	p.count(fmt.Sprintf(", %d not held", p.found))
}

// struck tells how many faults of a table have struck, out of how many.
func (p *runsTold) struck(done, of int) {
	if done == 0 {
		p.what, p.asked, p.begun, p.latest = "faults", uint64(of), time.Now(), time.Now()
		if !p.silent {
			fmt.Fprintf(p.out, "%d faults are struck, each in a run of its own. Ctrl-C ends early, without a table.\n", of)
		}
		return
	}
	p.count("")
}

// count is one more of what was asked for.
func (p *runsTold) count(more string) {
	p.runs++
	every := toldInLines
	if p.live {
		every = toldInPlace
	}
	now := time.Now()
	if p.silent || now.Sub(p.latest) < every {
		return
	}
	p.latest = now
	each := float64(now.Sub(p.begun)) / float64(p.runs)
	left := time.Duration(each * float64(p.asked-uint64(p.runs)))
	line := fmt.Sprintf("%d of %d %s%s, %s left", p.runs, p.asked, p.what, more, inSeconds(left))
	if p.live {
		p.inPlace(line)
		return
	}
	fmt.Fprintln(p.out, line)
}

// inPlace shows a line on a terminal until the next, or until clear.
func (p *runsTold) inPlace(line string) {
	if p.live {
		fmt.Fprintf(p.out, "\r\x1b[K%s", line)
	}
}

func (p *runsTold) clear() { p.inPlace("") }

// inSeconds is a span in whole seconds, at least one.
func inSeconds(d time.Duration) string { return max(d.Round(time.Second), time.Second).String() }
