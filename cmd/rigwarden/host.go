package main

import (
	"context"
	"errors"
	"os"
	"time"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

func (a *app) hostCmd() *cobra.Command {
	var file, truth string
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
			var rt *virtual.Realtime
			err := host.Main(cmd.Context(), func(context.Context) (c host.Config, err error) {
				c, rt, err = a.hostConfig(file, truth)
				return c, err
			})
			if errors.Is(err, host.ErrByHand) {
				return usageError{err}
			}
			if rt != nil && truth != "" {
				runOut(rt)
			}
			return err
		},
	}
	c.Flags().StringVar(&file, "bench", "", "bench file or shipped bench (required)")
	c.Flags().StringVar(&truth, "truth", "", "virtual bench only: append the true current to this file, for judges")
	if err := c.MarkFlagRequired("bench"); err != nil {
		panic(err)
	}
	return c
}

// hostConfig opens the instruments that a bench file names.
func (a *app) hostConfig(file, truth string) (host.Config, *virtual.Realtime, error) {
	f, err := readBench(file)
	if err != nil {
		return host.Config{}, nil, err
	}
	for _, d := range devicesOf(&f.Bench.Bench) {
		if d.driver != driverVirtual {
			return host.Config{}, nil, usagef("%s: no driver is called %q for the %s; %q on every instrument would be right", f.name, d.driver, d.role, driverVirtual)
		}
	}
	now := host.Clock(a.clock())
	c := virtualRig(f.Bench, nil, now())
	if truth != "" {
		// The file stays open for the life of the process.
		w, err := os.OpenFile(truth, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			return host.Config{}, nil, usagef("--truth: %w", err)
		}
		c.Truth = w
	}
	b, err := virtual.New(c)
	if err != nil {
		return host.Config{}, nil, usagef("%s: %w", f.name, err)
	}
	rt := virtual.NewRealtime(b, now)
	return host.Config{Bench: f.Bench.Bench, Set: rt.Set(), Sample: rt.Frame, OnFast: rt.Fast, Next: rt.Next, Now: now}, rt, nil
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
