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
// (see the tests, where it is the judge on the other side) holds its client
// until a fixed timeout, in which it can be neither interrupted nor closed, and
// takes ten seconds to give up on a wrong address. So requests and replies, a
// page of the standard, are written out here, over connections that obey a
// context.
//
// # Time
//
// Over TCP a halt is written at once, after whatever was written before it on
// the same connection, so that no closing can overtake it. Where the device
// stays silent for half of the caller's time, the connection is reset, which
// drops what it has not sent yet, and the halt is written on a new one.
//
// On a serial line a halt cuts the running exchange short and is sent as soon
// as no byte arrives any more; on a two-wire bus it may collide with the reply
// that it did not wait for, and is sent again once the line was quiet. The
// worst time is two frames of 256 characters and the device's own longest time
// to answer (key "answers within" of the map): at 19200 Bd 2*147 ms + 50 ms for
// the longest frames there are, about 30 ms + 50 ms for the shipped map's.
package modbus
