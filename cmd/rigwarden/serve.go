package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/orchestrator/store"
)

type serveFlags struct {
	benches []string
	listen  string
	local   string
	virtual bool
	truth   string
	notify  string
}

func (a *app) serveCmd() *cobra.Command {
	var f serveFlags
	c := &cobra.Command{
		Use:   "serve",
		Short: "Run the orchestrator: benches, store and service",
		Long: `Run the orchestrator for one or more benches. Each bench's wires are held by a
process of its own, which takes everything off when this one dies or stalls. Each
finished run is judged by a process of low priority. SIGTERM and Ctrl-C stop every
run, safe and recorded.

Whoever reaches the address can watch and stop the benches. By default it is a unix
socket of yours alone, which is a local enable too: what energises is taken from
there. A port, of this machine only, takes it within the time of an enable that was
given over the socket beside it: see rigwarden bench enable.`,
		Example: "  rigwarden serve --bench bench.yaml --store rig.db\n  rigwarden serve --bench quay-1 --store rig.db --listen unix:/run/user/1000/rig.sock",
		Args:    cobra.NoArgs,
		RunE:    func(cmd *cobra.Command, _ []string) error { return a.serve(cmd.Context(), f) },
	}
	c.Flags().StringArrayVar(&f.benches, "bench", nil, "bench file or shipped bench; may be given again")
	c.Flags().StringVar(&a.store, "store", "", "store file, made if it is not there (required)")
	c.Flags().StringVar(&f.listen, "listen", "", "address to serve at (default "+socketHint+")")
	c.Flags().StringVar(&f.local, "local", "", "your own socket where --listen is a port (default "+socketHint+")")
	c.Flags().BoolVar(&f.virtual, "virtual-time", false, "simulate every bench in its own time, in this process; no real instrument is touched")
	c.Flags().StringVar(&f.truth, "truth", "", "folder for the true currents of virtual benches, for judges")
	c.Flags().StringVar(&f.notify, "notify", "", "notices file: whom to tell of trips, questions and ends (rigwarden notice try --help)")
	for _, n := range []string{"bench", "store"} {
		if err := c.MarkFlagRequired(n); err != nil {
			panic(err)
		}
	}
	return c
}

func (a *app) serve(ctx context.Context, f serveFlags) error {
	var files []*benchFile
	for _, b := range f.benches {
		file, err := readBench(b)
		if err != nil {
			return err
		}
		files = append(files, file)
	}
	if err := distinct(files); err != nil {
		return err
	}
	address := f.listen
	if address == "" {
		address = "unix:" + defaultSocket()
	}
	lis, err := listen(address)
	if err != nil {
		return err
	}
	defer lis.Close()
	at := []net.Listener{lis}
	own, local, err := listenLocal(address, f.local)
	if err != nil {
		return err
	}
	if own != nil {
		defer own.Close()
		at = append(at, own)
	}
	st, err := store.Open(a.store, store.Options{Now: a.clock})
	if err != nil {
		return service.Classify(err)
	}
	err = a.serveStore(ctx, st, files, f, at, address, local)
	return errors.Join(err, st.Close())
}

func (a *app) serveStore(ctx context.Context, st *store.Store, files []*benchFile, f serveFlags, at []net.Listener, address, local string) error {
	tell, err := a.newTeller(st, f.notify)
	if err != nil {
		return err
	}
	defer tell.close()
	for _, r := range st.Recovered() {
		a.recovered(r)
		tell.recovered(r)
	}
	j := newJudges(a, st, cmp.Or(local, address))
	cfg := service.Config{Store: st, Now: a.clock, Planner: planner, QueueTold: tell.queueTold, Judged: tell.judged,
		Ended: func(run string) { j.wake(); tell.ended(run) }}
	var open []hosted
	defer func() {
		for _, b := range open {
			if err := b.Close(); err != nil {
				fmt.Fprintf(a.err, "rigwarden: bench %s: %v\n", b.Name(), err)
			}
		}
	}()
	for _, file := range files {
		b, err := a.openBench(ctx, st, file, f, tell)
		if err != nil {
			return err
		}
		open = append(open, b)
		cfg.Benches = append(cfg.Benches, service.Served{Bench: b, File: file.name, Text: file.text, Maps: file.maps(), Virtual: f.virtual})
		a.printBench(ctx, file, b)
	}
	srv := service.New(cfg)
	j.gaveUp = srv.Unjudged
	g := srv.GRPC()
	served := make(chan error, len(at))
	for _, lis := range at {
		go func() { served <- g.Serve(lis) }()
	}
	judged := make(chan struct{})
	jctx, stopJudging := context.WithCancel(ctx)
	go func() { defer close(judged); j.loop(jctx) }()
	queued := make(chan struct{})
	go func() { defer close(queued); srv.Queues(jctx) }()
	defer func() { stopJudging(); <-judged; <-queued }()
	fmt.Fprintf(a.out, "serving at %s, store %s\n", address, a.store)
	if local != "" {
		fmt.Fprintf(a.out, "what energises is taken or enabled at %s, by this user\n", local)
	}
	select {
	case <-ctx.Done():
		fmt.Fprintln(a.out, "stopping: every run is stopped, safe and recorded")
	case err := <-served:
		return fmt.Errorf("serving at %s: %w", address, err)
	}
	// Benches first: their ends are recorded, and clients see them.
	for _, b := range open {
		if err := b.Close(); err != nil {
			fmt.Fprintf(a.err, "rigwarden: bench %s: %v\n", b.Name(), err)
		}
	}
	open = nil
	stopServing(g)
	return nil
}

// graceful bounds how long open streams may take to end.
const graceful = 2 * time.Second

func stopServing(g *grpc.Server) {
	done := make(chan struct{})
	go func() { g.GracefulStop(); close(done) }()
	t := time.NewTimer(graceful)
	defer t.Stop()
	select {
	case <-done:
	case <-t.C:
		g.Stop()
	}
}

func (a *app) recovered(r store.Recovery) {
	fmt.Fprintf(a.out, "run %s on bench %s had no clean end and is marked interrupted; %d frames are stored, the last of %s UTC\n",
		r.Run, r.Bench, r.Frames, instant(int64(r.LastFrame)))
	if r.Energised {
		fmt.Fprintf(a.out, "bench %s may have been energised then: it is latched until a person acknowledges:\n  rigwarden run acknowledge %s --reason \"...\"\n", r.Bench, r.Run)
	}
}

// listen opens the address. Unix sockets are this user's alone; a port must be
// one of this machine, because there is no access control on it.
func listen(address string) (net.Listener, error) {
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		return listenUnix(path)
	}
	hostname, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, usagef("--listen %s is no address; unix:/path/to/socket or 127.0.0.1:port would be right", address)
	}
	if ip := net.ParseIP(hostname); hostname != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, usagef("--listen %s would let anyone on the network command the benches; a unix socket or 127.0.0.1:port would be right", address)
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, usagef("--listen: %w; a free port would be right", err)
	}
	return l, nil
}

func listenUnix(path string) (net.Listener, error) {
	if path == "" {
		return nil, usagef("--listen unix: names no socket; unix:/path/to/socket would be right")
	}
	if c, err := net.Dial("unix", path); err == nil {
		c.Close()
		return nil, &service.Error{Kind: service.KindBusy, What: "another orchestrator serves there", Where: "unix:" + path, Want: "stop it, or name another socket with --listen"}
	}
	if info, err := os.Lstat(path); err == nil && info.Mode()&os.ModeSocket != 0 {
		// Left over from a process that was killed: nobody answers on it.
		if err := os.Remove(path); err != nil {
			return nil, usagef("--listen: %w", err)
		}
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, usagef("--listen: %w", err)
	}
	l, err := net.Listen("unix", path)
	if err != nil {
		return nil, usagef("--listen: %w; a path where no file is would be right", err)
	}
	if err := os.Chmod(path, 0o600); err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}
