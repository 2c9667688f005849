// Package machine decides. It is one pure state machine per bench:
// Step(Event) []Action, and the instant at which it wants to be called again.
// It reads no clock, does no I/O, draws no random number, computes no floating
// point and logs nothing; the guard runs inside Step. The same events give the
// same actions, byte for byte, on any processor and in any replay.
//
// The order of the actions is a contract: they are carried out one after the
// other, halt before everything (INV-03), record before energy (INV-07), energy
// last.
package machine
