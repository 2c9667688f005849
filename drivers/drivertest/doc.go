// Package drivertest is the one conformance suite of the drivers' contract. It
// runs over every way to reach instruments: the virtual bench, the same through
// gRPC, each wire against an independent peer, a user's plugin.
//
// A check is a function that returns an error, so that the suite serves a
// command as well as go test. Checks see a bench only through drivers.Set and
// a Fixture; time passes only through the fixture. They energise: whoever hands
// in a fixture answers for what is connected to it.
//
// What the suite demands beyond the interfaces' comments:
//
//   - A Set that switches on is refused (ErrRefused) before Arm has succeeded
//     once, after an own limit has tripped (PowerTripped), and with ErrLease
//     after the communication timeout ran out (PowerLeaseOut). Arm clears all
//     three; the output stays off until the next Set (INV-08).
//   - Setpoints outside the declared ranges are refused and change nothing.
//   - Arm never reads back a limit wider than it was given.
//   - Halt overtakes every Set that was accepted before it.
//   - Any call feeds the communication timeout and the box's heartbeat.
//   - A call whose context is done returns an error and changes nothing, save
//     Halt, which may act.
package drivertest
