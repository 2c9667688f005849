// Package bench is the thin shell around the machine: one loop per bench that
// gives events a sequence number, writes the journal, steps the machine and
// carries its actions out over three ports (clock, devices, journal). It
// decides nothing.
//
// Two executors run the same loop. Live uses the wall clock and a host process
// that holds the wires; Virtual owns the time of a virtual bench and runs as
// fast as the processor allows, with no goroutine, channel or gRPC inside.
package bench
