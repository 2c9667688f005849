package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

const queueLong = `What a bench is to do next: runs, and steps for a person between them. Runs of the
module that is connected follow each other by themselves. For another module the
queue waits until outputs and contactors read off and the link is measured under
60 V, says what to do, and goes on when somebody at the bench has answered. A
module is left at its storage level before the next one. A trip, a module that
failed, whatever could not begin, and every start of the orchestrator hold the
queue until a person lets it go on: nothing in it energises by itself after that.`

func (a *app) queueCmd() *cobra.Command {
	c := group("queue", "Line up runs on a bench, with steps for a person between them",
		"  rigwarden queue add quay-1 --module KW-01 --profile qualify\n  rigwarden queue list\n  rigwarden queue go quay-1 --connected KW-01",
		a.queueAddCmd(), a.queueListCmd(), a.queueRemoveCmd(), a.queueMoveCmd(), a.queueHoldCmd(), a.queueGoCmd(), a.queueAnswerCmd())
	c.Long = queueLong
	return c
}

// queueDo makes a command that changes one bench's queue and prints what it is
// then.
func (a *app) queueDo(use, short, long, example string, args int, do func(context.Context, *session, []string) (*rigwardenv1.QueueResponse, error)) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Long: long, Example: example, Args: cobra.ExactArgs(args),
		ValidArgsFunction: a.offerQueue(args),
		RunE: a.on(func(cmd *cobra.Command, s *session, words []string) error {
			r, err := do(cmd.Context(), s, words)
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			a.printQueue(r.GetQueue())
			return nil
		}),
	}
	a.addWhere(c)
	a.addWho(c)
	return c
}

func (a *app) queueAddCmd() *cobra.Command {
	var module, profile, criteria, ask string
	c := a.queueDo("add BENCH", "Add a run, or a step for a person, at the end",
		`Add a run, or with --ask a step for a person, at the end. Files are checked and kept
as they are now; first checks are demanded when the run begins.`,
		"  rigwarden queue add quay-1 --module KW-01 --profile qualify\n  rigwarden queue add quay-1 --ask \"clean the air filter\"", 1,
		func(ctx context.Context, s *session, args []string) (*rigwardenv1.QueueResponse, error) {
			q := &rigwardenv1.AddQueueRequest{Bench: args[0], Module: module, Ask: ask, Who: a.who}
			var err error
			switch {
			case ask != "":
				return s.queues.Add(ctx, q)
			case module == "":
				return nil, usagef("queue add: neither --module nor --ask; one of them would be right")
			}
			if q.Profile, err = sourceOf(profile); err != nil {
				return nil, err
			}
			if q.Criteria, err = sourceOf(criteria); err != nil {
				return nil, err
			}
			return s.queues.Add(ctx, q)
		})
	f := c.Flags()
	f.StringVar(&module, "module", "", "serial of the registered module")
	f.StringVar(&profile, "profile", "", "profile file or name (default \"qualify\")")
	f.StringVar(&criteria, "criteria", "", "criteria file or name (default the shipped ones)")
	f.StringVar(&ask, "ask", "", "what a person is to do before the queue goes on, instead of a run")
	for _, n := range []string{"module", "profile", "criteria"} {
		c.MarkFlagsMutuallyExclusive("ask", n)
	}
	return c
}

func (a *app) queueListCmd() *cobra.Command {
	c := &cobra.Command{
		Use:               "list [BENCH]",
		Short:             "List what benches are to do next, and what they wait for",
		Long:              "List what benches are to do next, in order, and what each waits for.",
		Example:           "  rigwarden queue list\n  rigwarden queue list quay-1 --json",
		Args:              cobra.MaximumNArgs(1),
		ValidArgsFunction: a.offerQueue(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			r, err := s.queues.List(cmd.Context(), &rigwardenv1.ListQueuesRequest{Bench: strings.Join(args, "")})
			if err != nil {
				return err
			}
			if a.json {
				return a.printJSON(r)
			}
			if len(r.GetQueues()) == 0 {
				fmt.Fprintln(a.out, "no queues")
			}
			for i, q := range r.GetQueues() {
				if i > 0 {
					fmt.Fprintln(a.out)
				}
				a.printQueue(q)
			}
			return nil
		}),
	}
	a.addWhere(c)
	return c
}

func (a *app) queueRemoveCmd() *cobra.Command {
	return a.queueDo("remove BENCH ENTRY", "Take an entry out that has not begun", "Take an entry out that has not begun. A run under way is stopped by run stop.",
		"  rigwarden queue remove quay-1 q0003", 2,
		func(ctx context.Context, s *session, args []string) (*rigwardenv1.QueueResponse, error) {
			return s.queues.Remove(ctx, &rigwardenv1.RemoveQueueRequest{Bench: args[0], Id: args[1], Who: a.who})
		})
}

func (a *app) queueMoveCmd() *cobra.Command {
	var place uint32
	c := a.queueDo("move BENCH ENTRY", "Give an entry another place", "Give an entry that has not begun another place among such.",
		"  rigwarden queue move quay-1 q0003 --to 1", 2,
		func(ctx context.Context, s *session, args []string) (*rigwardenv1.QueueResponse, error) {
			return s.queues.Move(ctx, &rigwardenv1.MoveQueueRequest{Bench: args[0], Id: args[1], Place: place, Who: a.who})
		})
	c.Flags().Uint32Var(&place, "to", 1, "place, from 1, among the entries that have not begun")
	return c
}

func (a *app) queueHoldCmd() *cobra.Command {
	var reason string
	c := a.queueDo("hold BENCH", "Let nothing more begin", "Let nothing more begin; the run under way goes on to its end. Anyone may.",
		"  rigwarden queue hold quay-1 --reason \"hot work next door\"", 1,
		func(ctx context.Context, s *session, args []string) (*rigwardenv1.QueueResponse, error) {
			return s.queues.Hold(ctx, &rigwardenv1.HoldQueueRequest{Bench: args[0], Who: a.who, Reason: reason})
		})
	c.Flags().StringVar(&reason, "reason", "", "why, for the record")
	return c
}

func (a *app) queueGoCmd() *cobra.Command {
	var connected string
	var checked []string
	c := a.queueDo("go BENCH", "Let a held queue go on",
		`Let a held queue go on: whoever does has seen why it was held, and the bench. Where
nobody has said since the orchestrator started which module is connected, say it
with --connected, by its nameplate; without, the queue asks for the first one.
It needs a local enable: see bench enable.`,
		"  rigwarden queue go quay-1 --connected KW-01\n  rigwarden queue go quay-1 --who \"test engineer\"", 1,
		func(ctx context.Context, s *session, args []string) (*rigwardenv1.QueueResponse, error) {
			return s.queues.Go(ctx, &rigwardenv1.GoQueueRequest{Bench: args[0], Connected: connected, Who: a.who, Checked: checked})
		})
	addChecked(c, &checked)
	c.Flags().StringVar(&connected, "connected", "", "serial of the module that is connected now, off its nameplate")
	return c
}

func (a *app) queueAnswerCmd() *cobra.Command {
	var module, link string
	var checked []string
	c := a.queueDo("answer BENCH", "Say that what the queue asks for is done",
		`Say that what the queue asks for is done. Where it asked for a module, name the one
that is connected now, by its nameplate. Where the bench had no reading of its own
since the orchestrator started, say what a hand meter read at the link. The bench
must still be safe to touch; then the run begins, behind all its checks.
It needs a local enable: see bench enable.`,
		"  rigwarden queue answer quay-1 --module KW-02\n  rigwarden queue answer quay-1 --module KW-01 --link \"0.3 V\"", 1,
		func(ctx context.Context, s *session, args []string) (*rigwardenv1.QueueResponse, error) {
			q := &rigwardenv1.AnswerQueueRequest{Bench: args[0], Module: module, Who: a.who, Checked: checked}
			if link != "" {
				v, err := profiles.ParseQuantity(link, profiles.DimVoltage)
				if err != nil {
					return nil, usagef("--link: %w", err)
				}
				q.LinkUv = &v
			}
			return s.queues.Answer(ctx, q)
		})
	c.Flags().StringVar(&module, "module", "", "serial of the module that is connected now, off its nameplate")
	addChecked(c, &checked)
	c.Flags().StringVar(&link, "link", "", "what a hand meter reads at the link")
	return c
}

// printQueue prints a queue and what it waits for.
func (a *app) printQueue(q *rigwardenv1.Queue) {
	if len(q.GetEntries()) == 0 {
		fmt.Fprintf(a.out, "queue of %s: empty\n", q.GetBench())
	} else {
		fmt.Fprintf(a.out, "queue of %s, connected: %s\n", q.GetBench(), dash(q.GetConnected()))
		t := newTable("entry", "module", "what", "state", "run")
		for _, e := range q.GetEntries() {
			what := strings.TrimSuffix(e.GetProfile(), ".yaml")
			if e.GetAsk() != "" {
				what = "ask: " + e.GetAsk()
			}
			if e.GetAutomatic() {
				what += " (to leave it so)"
			}
			t.row(e.GetId(), dash(e.GetModule()), what, word(e.GetState()), dash(e.GetRun()))
		}
		t.print(a.out)
	}
	if q.GetUnstored() {
		fmt.Fprintf(a.out, "%s is not at its storage level\n", q.GetConnected())
	}
	if q.GetHeld() != "" {
		fmt.Fprintf(a.out, "HELD: %s\ngo on: rigwarden queue go %s\n", q.GetHeld(), q.GetBench())
		return
	}
	for _, e := range q.GetEntries()[:min(1, len(q.GetEntries()))] {
		if e.GetUnsafe() != "" {
			fmt.Fprintf(a.out, "NOT SAFE TO TOUCH: %s\n", e.GetUnsafe())
		}
		if e.GetQuestion() != "" {
			fmt.Fprintf(a.out, "NOW: %s\n", strings.Join(wrap(e.GetQuestion(), screen-5), "\n     "))
		}
	}
}

// offerQueue completes a bench, and behind it an entry of its queue.
func (a *app) offerQueue(args int) func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return func(cmd *cobra.Command, words []string, _ string) ([]string, cobra.ShellCompDirective) {
		ctx, s, done := a.asked(cmd)
		defer done()
		if s == nil || len(words) >= args {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		q := &rigwardenv1.ListQueuesRequest{}
		if len(words) == 1 {
			q.Bench = words[0]
		}
		r, err := s.queues.List(ctx, q)
		if err != nil {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		var out []string
		for _, queue := range r.GetQueues() {
			if len(words) == 0 {
				out = append(out, queue.GetBench())
				continue
			}
			for _, e := range queue.GetEntries() {
				if e.GetRun() == "" {
					out = append(out, e.GetId()+"\t"+e.GetProfile()+e.GetAsk()+" "+e.GetModule())
				}
			}
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
}

// queueTold prints and passes on what a queue asks, or why it is held.
func (t *teller) queueTold(n service.QueueNotice) {
	what := "is held"
	if n.Asks {
		what = "asks"
	}
	fmt.Fprintf(t.a.out, "%s: the queue %s: %s\n", n.Bench, what, strings.TrimPrefix(n.Text, "the queue is held: "))
	t.tell(noticeOfQueue(n))
}
