package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

// hosted is a bench that is being served.
type hosted interface {
	service.Bench
	Close() error
}

// openBench opens a bench in virtual time in this process, or in real time
// behind a process that holds its wires.
func (a *app) openBench(ctx context.Context, st *store.Store, f *benchFile, flags serveFlags, tell *teller) (hosted, error) {
	l := st.BenchLatch(f.Name)
	latched, err := l.Remembered()
	if err != nil {
		return nil, err
	}
	o := bench.Options{Name: f.Name, Latched: latched, Latches: l, Alert: tell.alert}
	if flags.virtual {
		if f.Bench.Virtual == nil && !isVirtual(f.Bench) {
			return nil, usagef("--virtual-time: bench %s has real instruments, and its file no virtual section that says what to simulate in their place", f.Name)
		}
		rig, err := virtual.New(virtualRig(f.Bench, nil, drivers.Instant(a.clock().UnixMicro())))
		if err != nil {
			return nil, usagef("%s: %w", f.name, err)
		}
		return bench.NewVirtual(rig, o), nil
	}
	return a.openLive(ctx, f, flags, o)
}

func (a *app) openLive(ctx context.Context, f *benchFile, flags serveFlags, o bench.Options) (hosted, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	args := []string{"host", "--bench", f.arg, "--as", f.fingerprint()}
	if flags.truth != "" {
		if err := os.MkdirAll(flags.truth, 0o700); err != nil {
			return nil, usagef("--truth: %w", err)
		}
		args = append(args, "--truth", filepath.Join(flags.truth, f.Name+".truth"))
	}
	now := host.Clock(a.clock())
	open := func(ctx context.Context) (bench.Host, error) {
		c, err := host.Start(ctx, host.Command(exec.Command(self, args...)), host.Options{Bench: f.Bench.Bench, Now: now})
		if err != nil {
			return nil, err // not c: a nil client is no nil Host
		}
		return c, nil
	}
	b, err := bench.NewLive(ctx, f.Bench.Bench, o, now, open)
	if err != nil {
		return nil, &service.Error{
			Kind: service.KindUnreachable, What: err.Error(), Where: "bench " + f.Name,
			Want: "every instrument that the bench file names must answer",
		}
	}
	return b, nil
}
