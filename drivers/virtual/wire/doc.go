// Package wire lets the virtual bench speak as real instruments do: a supply, a
// load and a meter that answer SCPI over sockets, a cell monitor that sends CAN
// frames, a contactor box that is read and written as Modbus TCP registers. All
// of them are joined to one virtual.Realtime, so one article, one link and one
// set of faults.
//
// The instruments are written against the standards (IEEE 488.2, SCPI-1999, the
// Modbus application protocol, the Linux frame record) and against the shipped
// map files, never against this project's drivers, whose judges they are: no
// code of theirs is imported here. They behave as instruments do: an output goes
// on flowing when a connection breaks, until somebody switches it off or the
// instrument's own communication timeout, its limits or a lost heartbeat do.
//
// On a stream an answer counts as read once it is sent, so a query is never
// INTERRUPTED (-410) nor UNTERMINATED (-420) here; the other query errors are.
//
// What may not live here: physics (plant), sensors and faults of the bench
// (virtual), and anything that a driver would need.
package wire
