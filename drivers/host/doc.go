// Package host is the process that holds a bench's wires, and the client with
// which the daemon talks to it.
//
// The process samples every instrument of one bench into frames, checks each
// frame against absolute limits before anybody else sees it (Tripwire), keeps
// the bench energised only while a lease is renewed (Lease), and carries out
// commands that arrive over gRPC. Lease renewals and the quick halt arrive as
// fixed records on its standard input, which also tells it of its parent's
// death: the end of that stream halts everything.
//
// The halt path waits for nobody. Each device has a goroutine of its own that
// does nothing but halt it; asking it is an atomic count and a channel send
// that cannot block. No lock that sampling or gRPC holds is on the way, and a
// device that hangs delays no other.
//
// What must switch off by itself when this process dies is not believed but
// proven: arming leaves each instrument whose communication timeout is declared
// alone, on at 0 A behind open contactors, and wants to find it off (Proof). An
// instrument that was lost is armed and proven anew. A contactor box's heartbeat
// is proven only where a person asks, since a contactor closes for it.
//
// Package host knows drivers and nothing above them: no plant, no virtual
// bench, no orchestrator. The command that starts it passes the instruments
// (drivers.Set) and, for a bench whose time it owns, a sampler.
package host
