package main

import (
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"

	"google.golang.org/grpc"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// orchestra is the demonstration's orchestrator: store, virtual bench and
// service on a socket that only this user can reach.
type orchestra struct {
	bench  string
	socket string

	dir    string
	store  *store.Store
	rig    *bench.Virtual
	server *grpc.Server
	truth  truthLog // the true current, as only a virtual bench can tell
	// groups are what a hand meter would read at each group of the fresh module.
	groups []int64
}

func (a *app) openDemo(path string, faults []virtual.Fault, seed uint64) (*orchestra, error) {
	text, err := profiles.LibraryBench(service.DefaultBench)
	if err != nil {
		return nil, err
	}
	file, ps := profiles.ParseBench(service.DefaultBench+".yaml", text)
	if err := profiles.Error(ps); err != nil {
		return nil, fmt.Errorf("the shipped bench: %w", err)
	}
	modText, err := profiles.LibraryModule(demoModule)
	if err != nil {
		return nil, err
	}
	mod, ps := profiles.ParseModule(demoModule+".yaml", modText)
	if err := profiles.Error(ps); err != nil {
		return nil, fmt.Errorf("the shipped module: %w", err)
	}
	c := virtualRig(file, mod, drivers.Instant(a.clock().UnixMicro()))
	c.Faults = faults
	if seed != 0 {
		c.Seed = seed
	}
	o := &orchestra{bench: file.Name}
	c.Truth = &o.truth
	rig, err := virtual.New(c)
	if err != nil {
		return nil, usagef("virtual bench: %w", err)
	}
	o.groups = handMeter(rig)
	if err := o.open(a, path, rig, text); err != nil {
		o.close()
		return nil, err
	}
	return o, nil
}

// handMeter reads every group of a virtual module to a millivolt, as a person
// would before the cell monitor is plugged in.
func handMeter(b *virtual.Bench) (out []int64) {
	m := b.Plant().Module()
	for k := range m.Len() {
		out = append(out, int64(math.Round(float64(m.Voltage(k)*1e3)))*1000)
	}
	return out
}

func (o *orchestra) open(a *app, path string, rig bench.Rig, text []byte) error {
	var err error
	if o.store, err = store.Open(path, store.Options{Now: a.clock}); err != nil {
		return service.Classify(err)
	}
	l := o.store.BenchLatch(o.bench)
	latched, err := l.Remembered()
	if err != nil {
		return err
	}
	o.rig = bench.NewVirtual(rig, bench.Options{Name: o.bench, Latched: latched, Latches: l})
	srv := service.New(service.Config{
		Store: o.store, Now: a.clock, Planner: planner,
		Benches: []service.Served{{Bench: o.rig, File: service.DefaultBench + ".yaml", Text: text, Virtual: true}},
	})
	// A folder of its own with mode 0700 keeps other users off the socket.
	if o.dir, err = os.MkdirTemp("", "rigwarden-demo-"); err != nil {
		return err
	}
	o.socket = filepath.Join(o.dir, "demo.sock")
	lis, err := net.Listen("unix", o.socket)
	if err != nil {
		return err
	}
	o.server = srv.GRPC()
	go o.server.Serve(lis)
	return nil
}

// close takes everything down, the bench first: whatever runs is stopped, safe
// and recorded, before the store closes.
func (o *orchestra) close() error {
	var errs []error
	if o.rig != nil {
		errs = append(errs, o.rig.Close())
	}
	if o.server != nil {
		o.server.Stop()
	}
	if o.store != nil {
		errs = append(errs, o.store.Close())
	}
	if o.dir != "" {
		errs = append(errs, os.RemoveAll(o.dir))
	}
	return errors.Join(errs...)
}
