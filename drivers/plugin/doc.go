// Package plugin reaches drivers that other people wrote, in any language: a
// program that serves rigwarden.driver.v1.DriverService over gRPC for one or
// more roles of a bench. PLUGINS.md beside this file says how to write one.
//
// A plugin is started as a child with a pipe of its own on standard input
// (exec:COMMAND ARGS), or runs already and is reached at an address
// (unix:/path, tcp:host:port). Either way it holds a lease of its own, which
// this package renews only as long as the host's lease is alive, the plugin's
// frames are fresh and the host asks for them; halts travel first beside the
// renewals, never behind a command.
//
// A plugin that dies, hangs or loses its network answers every call with
// drivers.ErrNoAnswer at once. It is opened again by itself, slower and slower,
// and only into safety: it starts with everything off, its identity is checked
// again, and its instruments energise nothing before they were armed again
// (INV-06).
//
// Nothing here reads files or knows what is above the drivers.
package plugin
