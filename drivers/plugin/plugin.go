package plugin

import (
	"context"
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/host"
)

// Options of Open.
type Options struct {
	// Address is exec:COMMAND ARGS (words parted by blanks, quotes as in a
	// shell), unix:/path or tcp:host:port.
	Address string
	// Bench is the whole bench; the plugin's channels must be among its.
	Bench drivers.Bench
	// Roles are those that the bench file gives this plugin.
	Roles []host.Role
	// Expect is what the devices must say of themselves (ErrIdentity); empty
	// parts, and roles that are not there, are not compared.
	Expect map[host.Role]drivers.Identity
	// Now is the host's clock; nil: host.Clock.
	Now func() drivers.Instant
	// Alive says whether the host's own lease is alive. It is called on every
	// frame and must not wait. nil: always.
	Alive func() bool
}

// Plugin is an opened plugin. Its methods may be called from any goroutine.
type Plugin struct {
	set  drivers.Set
	lost chan struct{}
}

// Open starts or reaches the plugin and returns once it serves every role asked
// for, has driven its devices safe and sends frames. What is wrong is in the
// error: host.ErrStart, host.ErrHandshake, host.ErrVersion and
// host.ErrImpossible of the program, drivers.ErrIdentity and
// drivers.ErrNoAnswer of its devices.
func Open(ctx context.Context, o Options) (*Plugin, error) {
	return nil, errors.New("plugins cannot be opened yet")
}

// Set returns the plugin's devices: exactly the roles asked for. Every call
// after a loss answers drivers.ErrNoAnswer until the plugin is back.
func (p *Plugin) Set() drivers.Set { return p.set }

// Lost receives each time that the plugin was lost, one waiting at most.
func (p *Plugin) Lost() <-chan struct{} { return p.lost }

// Close halts everything that the plugin holds, ends it if it was started here,
// and waits for its end, at most a few seconds.
func (p *Plugin) Close() error { return nil }
