package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/notice"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

func (a *app) noticeCmd() *cobra.Command {
	try := &cobra.Command{
		Use:   "try FILE",
		Short: "Send each receiver of a notices file a notice that says it is a trial",
		Long: `Tell people who are not at the bench, by a web request or a program of theirs,
when a run trips, a run or a queue asks for a person, a queue is held, or a run
ends: rigwarden serve --notify FILE. Nothing on a bench waits for a notice or rests
on one.

This reads a notices file and sends each receiver one notice, once:

  notices: workshop
  send:
    - webhook: https://alerts.example.org/rig     # JSON in a POST request
      on: [trip, alarm, ask, hold, end]           # the default
      timeout: 20 s
    - command: [/usr/local/bin/tell, --loud]      # JSON on its standard input
      on: [trip]

Exit code 0: every receiver took it; 5: one did not.`,
		Example: "  rigwarden notice try notices.yaml",
		Args:    cobra.ExactArgs(1),
		RunE:    func(cmd *cobra.Command, args []string) error { return a.noticeTry(cmd.Context(), args[0]) },
	}
	return group("notice", "Tell people who are not at the bench",
		"  rigwarden notice try notices.yaml\n  rigwarden serve --bench bench.yaml --store rig.db --notify notices.yaml", try)
}

func readNotices(path string) ([]notice.Receiver, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, usagef("notices: %w", err)
	}
	list, ps := notice.Parse(path, text)
	if err := profiles.Error(ps); err != nil {
		return nil, usagef("%w", err)
	}
	return list, nil
}

func (a *app) noticeTry(ctx context.Context, path string) error {
	list, err := readNotices(path)
	if err != nil {
		return err
	}
	a.working = true
	n := notice.Notice{What: notice.Alarm, Text: "a trial: this receiver works, and nothing happened", At: a.clock().UTC()}
	bad := 0
	for _, r := range list {
		if err := notice.Once(ctx, r, n); err != nil {
			bad++
			fmt.Fprintf(a.out, "%s: FAILED: %v\n", r.Name(), err)
			continue
		}
		fmt.Fprintf(a.out, "%s: took it\n", r.Name())
	}
	if bad > 0 {
		return &service.Error{Kind: service.KindUnreachable, What: fmt.Sprintf("%d of %d receivers did not take a notice", bad, len(list)), Where: path, Want: "put them right before a run is left alone"}
	}
	return nil
}

// noticesEnd bounds how long what still waits holds up the program's end.
const noticesEnd = 5 * time.Second

// teller tells the receivers of a notices file what happens at the benches of
// one orchestrator. Without a file it tells nobody.
type teller struct {
	a    *app
	st   *store.Store
	post *notice.Post
}

func (a *app) newTeller(st *store.Store, path string) (*teller, error) {
	t := &teller{a: a, st: st}
	if path == "" {
		return t, nil
	}
	list, err := readNotices(path)
	if err != nil {
		return nil, err
	}
	t.post = notice.NewPost(list, notice.Options{Failed: func(r notice.Receiver, n notice.Notice, err error) {
		fmt.Fprintf(a.err, "rigwarden: notice of %s to the %s: %v\n", n.What, r.Name(), err)
	}})
	return t, nil
}

// tell sends; it never waits.
func (t *teller) tell(n notice.Notice) {
	if t.post == nil {
		return
	}
	n.At = t.a.clock().UTC()
	t.post.Tell(n)
}

// alert prints what a bench notifies and passes on what concerns people who are
// away.
func (t *teller) alert(n bench.Alert) {
	t.a.alert(n)
	if what, known := noticeOf(n.Notify); known {
		t.tell(notice.Notice{What: what, Bench: n.Bench, Run: n.Run, Module: n.Module, Text: n.Text})
	}
}

func noticeOf(n machine.Notify) (notice.What, bool) {
	switch {
	case n.Severity == machine.SeverityAlarm && strings.HasPrefix(n.Text, machine.TripWord):
		return notice.Trip, true
	case n.Severity == machine.SeverityAlarm:
		return notice.Alarm, true
	case n.Severity == machine.SeverityAsk:
		return notice.Ask, true
	}
	return "", false
}

// ended tells a run's end, once it is recorded.
func (t *teller) ended(run string) {
	if t.post == nil {
		return
	}
	r, err := t.st.Run(run)
	if err != nil {
		fmt.Fprintf(t.a.err, "rigwarden: notice of the end of %s: %v\n", run, err)
		return
	}
	text := fmt.Sprintf("%s of %s is over: %s", r.Profile, r.Module, r.Outcome)
	if r.Reason != "" {
		text += ": " + r.Reason
	}
	if todo := qualify.SetAside(r.Module, r.Outcome, ""); todo != "" {
		text += "\n" + todo
	}
	t.tell(notice.Notice{What: notice.End, Bench: r.Bench, Run: run, Module: r.Module, Text: text, Outcome: string(r.Outcome)})
}

// judged tells of a module that did not pass, and what to do with it.
func (t *teller) judged(r store.RunInfo) {
	todo := qualify.SetAside(r.Module, "", qualify.Decision(r.Verdict))
	if todo == "" {
		return
	}
	fmt.Fprintf(t.a.out, "%s: %s by run %s: %s\n", r.Module, r.Verdict, r.ID, todo)
	t.tell(notice.Notice{What: notice.End, Bench: r.Bench, Run: r.ID, Module: r.Module, Text: fmt.Sprintf("%s of %s: %s\n%s", r.Profile, r.Module, r.Verdict, todo), Outcome: string(r.Outcome)})
}

// noticeOfQueue says what a queue's word is for people who are away.
func noticeOfQueue(n service.QueueNotice) notice.Notice {
	what := notice.Hold
	if n.Asks {
		what = notice.Ask
	}
	return notice.Notice{What: what, Bench: n.Bench, Run: n.Run, Module: n.Module, Text: n.Text}
}

// recovered tells of a run that a crash or a power cut ended.
func (t *teller) recovered(r store.Recovery) {
	text := "the orchestrator died during the run, which is marked interrupted; nothing energises by itself"
	if r.Energised {
		text += "; the bench may have been energised then, and is latched until a person acknowledges"
	}
	t.tell(notice.Notice{What: notice.Alarm, Bench: r.Bench, Run: r.Run, Text: text, Outcome: string(machine.OutcomeInterrupted)})
}

func (t *teller) close() {
	if t.post == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), noticesEnd)
	defer cancel()
	t.post.Close(ctx)
}
