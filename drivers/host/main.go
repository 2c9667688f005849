package host

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/signal"
	"strconv"

	"github.com/rigwarden/rigwarden/drivers"
)

// ErrByHand: the program was not started by a daemon.
var ErrByHand = errors.New("this is the part of rigwarden that holds a bench's wires; " +
	"the orchestrator starts it by itself and keeps its lease. Start `rigwarden serve` instead")

// The scheduling delays measured at start: a quarter of a second's worth.
const (
	startNaps = 250
	startNap  = drivers.Millisecond
)

// Main is the whole life of a host process: it explains itself if it was
// started by hand (ErrByHand), opens the bench, shakes hands on standard output
// and serves until its parent lets go of its standard input or is gone. A
// plugin's program calls it too.
//
// build makes the configuration: bench, instruments, perhaps a sampler.
// Stdin, Listener and Scheduling are Main's to fill. What fails before the
// bench is served goes to the parent in the handshake, and is returned.
func Main(ctx context.Context, build func(context.Context) (Config, error)) error {
	version, socket := os.Getenv(envChild), os.Getenv(envSocket)
	if version == "" || socket == "" {
		return ErrByHand
	}
	outlivePipes()
	ctx, stop := signal.NotifyContext(ctx, endSignals...)
	defer stop()
	s, err := begin(ctx, version, socket, build)
	if err != nil {
		// The parent may be gone; then there is nobody to tell.
		return errors.Join(err, writeFailed(os.Stdout, err))
	}
	if err := writeReady(os.Stdout, "unix:"+socket); err != nil {
		s.c.Listener.Close()
		s.close()
		return fmt.Errorf("handshake: %w", err)
	}
	return s.run(ctx)
}

// begin does everything up to the handshake.
func begin(ctx context.Context, version, socket string, build func(context.Context) (Config, error)) (*server, error) {
	if version != strconv.Itoa(Version) {
		return nil, fmt.Errorf("%w: the orchestrator %s, this program %d; take both of the same release", ErrVersion, version, Version)
	}
	c, err := build(ctx)
	if err != nil {
		return nil, err
	}
	c.Stdin = io.Reader(os.Stdin)
	measureScheduling(ctx, &c)
	if c.Listener, err = net.Listen("unix", socket); err != nil {
		return nil, fmt.Errorf("listen for commands: %w", err)
	}
	s, err := open(ctx, c)
	if err != nil {
		c.Listener.Close()
		return nil, err
	}
	return s, nil
}

func measureScheduling(ctx context.Context, c *Config) {
	if c.Scheduling == 0 {
		c.Scheduling = Scheduling(ctx, startNaps, startNap)
	}
}

// Listen is the life of a driver program that nobody starts as a child: it
// serves a part of a bench at an address, unix:/path or tcp:host:port, to one
// holder of its lease after the other, until ctx is over or the process is
// asked to end. Who may reach the address can switch what is behind it.
//
// build is Main's; Part is set for it.
func Listen(ctx context.Context, address string, build func(context.Context) (Config, error)) error {
	network, place, err := splitAddress(address)
	if err != nil {
		return err
	}
	outlivePipes()
	ctx, stop := signal.NotifyContext(ctx, endSignals...)
	defer stop()
	c, err := build(ctx)
	if err != nil {
		return err
	}
	c.Part, c.Stdin = true, nil
	measureScheduling(ctx, &c)
	if c.Listener, err = net.Listen(network, place); err != nil {
		return fmt.Errorf("listen for commands: %w", err)
	}
	return Serve(ctx, c)
}
