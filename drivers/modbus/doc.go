// Package modbus drives contactor boxes, and reads relay, temperature and
// insulation modules, that speak Modbus over TCP or over a serial line (RTU).
// A register map in YAML (see MAPS.md) says where each quantity stands; the
// package ships a few of its own.
//
// Parsing, grouping, decoding and framing are pure; tcp.go and serial.go are
// the only files that touch a wire. What a bench does with the readings is not
// decided here.
//
// # Why the exchange is our own
//
// A halt must leave at once, behind no read that is in flight, and a closing
// that was cut off must never arrive after it (INV-03). The library at hand
// (see the tests, where its server is a judge on the other side) holds its
// client for a fixed time that no context shortens: with 0.3 s set, a write
// behind an unanswered read came back after 0.58 s, and closing took 0.28 s. It
// gives up on an address after a fixed 5 s, and closes a connection in a way
// that still delivers what is under way. So requests and replies, a page of the
// standard, are written out here, over connections that obey a context.
//
// # Time
//
// Over TCP a halt is written at once, after whatever was written before it on
// the same connection, so that no closing can overtake it. Where the device
// stays silent for half of the caller's time, the connection is reset, which
// drops what it has not got yet, and the halt is written on a new one.
//
// On a serial line a halt cuts the running exchange short and is sent as soon
// as no byte arrives any more; on a two-wire bus it may collide with the reply
// that it did not wait for, and is sent again until it is echoed. Its time is
// that of a reply under way (256 characters at most; 19 for the shipped box), a
// silence of 3.5 characters, and 16 characters for the write and its echo; each
// attempt that is lost adds the map's "answers within" and 10 characters. At
// 19200 Bd, 11 bits a character: 11 + 2 + 9 ms, 56 ms more for a collision.
package modbus
