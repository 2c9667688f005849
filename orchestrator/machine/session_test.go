package machine

import (
	"bufio"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

var rewrite = flag.Bool("rewrite", false, "rewrite the golden sessions in testdata")

// TestSessions replays testdata/*.txt: each line that begins with "> " is a
// command; the lines below it are all that the machine was told and did, quiet
// frames and trimmings of a held current left out. Read them as the machine's documentation.
//
//	> plan NAME            load one of the plans below
//	> start                begin the run
//	> for 10s              let time pass; stop early with: until PHASE | until LABEL
//	> do VERB [reason]     a person's command
//	> fault NAME [off]     the bench disobeys
//	> cell 3 +120mV        tap 3 reads so much more than is true
//	> drain 10s            the link's bleed, behind open contactors
//	> temp 1 41C           a sensor reads
//	> event LINE           an event as it is
//	> view                 what people would be shown
func TestSessions(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			got := play(t, string(want))
			if *rewrite {
				require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
				return
			}
			require.Equal(t, string(want), got, "run with -rewrite to accept")
		})
	}
}

// session is one machine on one toy bench.
type session struct {
	t   *testing.T
	m   *Machine
	toy *toy
	out strings.Builder
	// answers waits for the actions' answers, in order.
	answers []Event
	shown   Set
	quiet   bool
	// record, where set, sees every event and its actions.
	record func(Event, []Action)
}

func newSession(t *testing.T) *session {
	s := &session{t: t, m: New(), toy: newToy(toyCapacity / 2)}
	s.event(Boot{At: s.toy.now})
	s.out.Reset()
	return s
}

func play(t *testing.T, text string) string {
	s := newSession(t)
	sc := bufio.NewScanner(strings.NewReader(text))
	for sc.Scan() {
		line := sc.Text()
		switch {
		case strings.HasPrefix(line, "#"):
			fmt.Fprintln(&s.out, line)
		case strings.HasPrefix(line, "> "):
			fmt.Fprintln(&s.out, line)
			s.command(line[2:])
		case line == "":
			fmt.Fprintln(&s.out)
		}
	}
	return s.out.String()
}

func (s *session) command(line string) {
	word, rest, _ := strings.Cut(line, " ")
	switch word {
	case "plan":
		p, ok := sessionPlans[rest]
		require.True(s.t, ok, "no plan %q", rest)
		require.NoError(s.t, s.m.Load(p()))
	case "start":
		s.event(Start{At: s.toy.now, Run: "R1", Plan: "d", Who: "tester", Epoch: s.m.Epoch()})
	case "for":
		s.pass(rest)
	case "do":
		verb, reason, _ := strings.Cut(rest, " ")
		s.event(Operator{At: s.toy.now, Verb: Verb(verb), Who: "tester", Reason: reason})
	case "fault":
		name, off := strings.CutSuffix(rest, " off")
		s.toy.faults[name] = !off
	case "cell":
		var n, mv int
		_, err := fmt.Sscanf(rest, "%d %dmV", &n, &mv)
		require.NoError(s.t, err)
		s.toy.offset[n-1] = drivers.Microvolts(mv) * 1000
	case "drain":
		d, err := parseSpan(rest)
		require.NoError(s.t, err)
		s.toy.drain = d
	case "temp":
		var n int
		var c float64
		_, err := fmt.Sscanf(rest, "%d %fC", &n, &c)
		require.NoError(s.t, err)
		s.toy.temp[n-1] = drivers.Millikelvins(c*1000) + drivers.ZeroC
	case "event":
		rest = strings.ReplaceAll(rest, "NOW", strconv.FormatInt(int64(s.toy.now), 10))
		e, err := ParseEvent(strings.ReplaceAll(rest, "EPOCH", strconv.FormatUint(s.m.Epoch(), 10)))
		require.NoError(s.t, err)
		s.event(e)
	case "view":
		var v View
		s.m.Look(&v)
		fmt.Fprintf(&s.out, "phase=%s step=%d pass=%d label=%q stage=%q direction=%q current=%d contactors=%d cause=%q\n", v.Phase, v.Step, v.Pass, v.Label, v.Stage, v.Direction, v.Current, v.Contactors, v.Cause)
	default:
		s.t.Fatalf("unknown session command %q", line)
	}
}

// pass lets time go by: frames, deadlines and answers, in order.
func (s *session) pass(rest string) {
	length, until, _ := strings.Cut(rest, " until ")
	d, err := parseSpan(length)
	require.NoError(s.t, err)
	end := s.toy.now.Add(d)
	for s.toy.now < end && (until == "" || !s.reached(until)) {
		s.turn(end)
	}
	fmt.Fprintf(&s.out, "  ... at %s, %s\n", clock(s.toy.now), s.m.Phase())
}

func (s *session) reached(until string) bool {
	var v View
	s.m.Look(&v)
	return string(v.Phase) == until || v.Label == until || v.Stage == until
}

func (s *session) turn(end drivers.Instant) {
	next := s.toy.next()
	t := min(next, end)
	if d := s.m.Deadline(); d != 0 && d < t {
		t = max(d, s.toy.now)
	}
	s.toy.advance(t)
	if t == next && !s.toy.faults["no frames"] {
		s.frame()
	}
	if d := s.m.Deadline(); d != 0 && d <= t {
		s.event(Due{At: t})
	}
}

func (s *session) frame() {
	f := s.toy.frame()
	actions := append([]Action(nil), s.m.StepFrame(f.At, f)...)
	if s.record != nil {
		s.record(Framed{At: f.At, Frame: f}, actions)
	}
	if len(actions) > 0 && !s.trims(actions) {
		fmt.Fprintf(&s.out, "%s frame\n", clock(f.At))
	}
	s.answer(actions)
}

func (s *session) event(e Event) {
	if !s.quiet {
		fmt.Fprintf(&s.out, "%s %s\n", clock(e.When()), short(e.String()))
	}
	actions := append([]Action(nil), s.m.Step(e)...)
	if s.record != nil {
		s.record(e, actions)
	}
	s.answer(actions)
}

// trims says that all the machine does is to trim a held current by less than
// a fifth since the last that was printed: left out of the session.
func (s *session) trims(actions []Action) bool {
	set, ok := actions[0].(Set)
	if !ok || len(actions) > 1 {
		return false
	}
	trims := set.Direction == s.shown.Direction && set.Epoch == s.shown.Epoch && abs(set.Current-s.shown.Current) < s.shown.Current/5
	if !trims {
		s.shown = set
	}
	s.quiet = trims
	return trims
}

// answer prints actions, carries them out and hands the answers back.
func (s *session) answer(actions []Action) {
	for _, a := range actions {
		if !s.quiet {
			fmt.Fprintf(&s.out, "    %s\n", a)
		}
		if e := s.toy.obey(a); e != nil {
			s.answers = append(s.answers, e)
		}
	}
	for len(s.answers) > 0 {
		e := s.answers[0]
		s.answers = s.answers[1:]
		s.event(e)
	}
	s.quiet = false
}

// clock is the time since the session began, in seconds.
func clock(t drivers.Instant) string {
	ms := (int64(t) - 1_000_000_000) / 1000
	return fmt.Sprintf("%8d.%03d", ms/1000, ms%1000)
}

// short leaves out what the line's beginning already tells.
func short(line string) string {
	fields := strings.Fields(line)
	out := fields[:1]
	for _, f := range fields[1:] {
		if !strings.HasPrefix(f, "at=") {
			out = append(out, f)
		}
	}
	return strings.Join(out, " ")
}

func parseSpan(s string) (drivers.Span, error) {
	for _, u := range []struct {
		suffix string
		span   drivers.Span
	}{{"ms", drivers.Millisecond}, {"s", drivers.Second}, {"min", drivers.Minute}, {"h", drivers.Hour}} {
		if n, err := strconv.ParseInt(strings.TrimSuffix(s, u.suffix), 10, 64); err == nil && strings.HasSuffix(s, u.suffix) {
			return drivers.Span(n) * u.span, nil
		}
	}
	return 0, fmt.Errorf("no span: %q", s)
}
