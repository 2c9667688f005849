package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

func (a *app) hostCmd() *cobra.Command {
	var file, truth, as string
	c := &cobra.Command{
		Use:   "host",
		Short: "Hold one bench's wires (started by serve, not by people)",
		Long: `Hold the wires of one bench: sample its instruments, carry out commands, and take
everything off when the lease is not renewed or standard input ends. serve starts
one such process for each bench and speaks to it over standard input and a private
socket; started by hand it says so and ends.`,
		Example: "  rigwarden host --bench bench.yaml",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			var h *holder
			err := host.Main(cmd.Context(), func(ctx context.Context) (_ host.Config, err error) {
				if h, err = a.hold(ctx, file, truth, as); err != nil {
					return host.Config{}, err
				}
				return h.config, nil
			})
			if h != nil {
				h.release()
			}
			if errors.Is(err, host.ErrByHand) {
				return usageError{err}
			}
			return err
		},
	}
	c.Flags().StringVar(&file, "bench", "", "bench file or shipped bench (required)")
	c.Flags().StringVar(&truth, "truth", "", "virtual bench only: append the true current to this file, for judges")
	c.Flags().StringVar(&as, "as", "", "refuse the bench file and what it names unless their digest is this")
	if err := c.MarkFlagRequired("bench"); err != nil {
		panic(err)
	}
	return c
}

// holder is a host process's part in a bench: its configuration, and what has
// to be let go of at the end.
type holder struct {
	config  host.Config
	virtual *virtual.Realtime // nil for real instruments
	release func()
}

// hold opens the instruments that a bench file names. as, where given, is its
// fingerprint when the orchestrator read it: plans and printed times are made of
// that one, and a host that is started again must not hold another.
func (a *app) hold(ctx context.Context, file, truth, as string) (*holder, error) {
	f, err := readBench(file)
	if err != nil {
		return nil, err
	}
	if as != "" && as != f.fingerprint() {
		return nil, usagef("%s, or a file that it names, is not what the orchestrator read when it started; start the orchestrator again, and prove the bench anew", f.name)
	}
	now := host.Clock(a.clock())
	if isVirtual(f.Bench) {
		return holdVirtual(f, truth, now)
	}
	if truth != "" {
		return nil, usagef("--truth: bench %s has real instruments, of which nobody knows the truth", f.Name)
	}
	claimed, err := claimDevices(ctx, devicesOf(f.Bench), claimPatience)
	if err != nil {
		return nil, err
	}
	alive := &host.Alive{}
	in := openInstruments(ctx, opening{file: f, now: now, alive: alive, notice: func(text string) { fmt.Fprintln(a.err, text) }})
	h := &holder{
		config: host.Config{Bench: f.Bench.Bench, Set: in.set, Now: now, Alive: alive},
		release: func() {
			if err := in.shut(); err != nil {
				fmt.Fprintln(a.err, err)
			}
			claimed.release()
		},
	}
	if f.Insulation != nil {
		h.config.Allow = func(ctx context.Context) error { return in.insulated(ctx, f) }
	}
	if err := in.whole(); err != nil {
		h.release()
		return nil, err
	}
	return h, nil
}

func holdVirtual(f *benchFile, truth string, now func() drivers.Instant) (*holder, error) {
	c := virtualRig(f.Bench, nil, now())
	if truth != "" {
		// The file stays open for the life of the process.
		w, err := os.OpenFile(truth, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			return nil, usagef("--truth: %w", err)
		}
		c.Truth = w
	}
	b, err := virtual.New(c)
	if err != nil {
		return nil, usagef("%s: %w", f.name, err)
	}
	rt := virtual.NewRealtime(b, now)
	h := &holder{virtual: rt, config: host.Config{Bench: f.Bench.Bench, Set: rt.Set(), Sample: rt.Frame, OnFast: rt.Fast, Next: rt.Next, Now: now}}
	h.release = func() {
		if truth != "" {
			runOut(rt)
		}
	}
	return h, nil
}

// Real instruments outlive the process that held their wires, and judges ask
// what they did then: the physics goes on until no current flows, at most for
// runOutMost.
const (
	runOutMost  = 5 * time.Second
	runOutEvery = 10 * time.Millisecond
)

func runOut(rt *virtual.Realtime) {
	t := time.NewTicker(runOutEvery)
	defer t.Stop()
	end := time.NewTimer(runOutMost)
	defer end.Stop()
	for flowing := true; flowing; {
		select {
		case <-t.C:
			rt.Do(func(b *virtual.Bench) { flowing = b.Truth().Flowing })
		case <-end.C:
			return
		}
	}
}
