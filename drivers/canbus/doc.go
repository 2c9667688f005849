// Package canbus is the driver for cell monitors on a CAN bus. What differs
// between monitors is data: a DBC file says where each signal lies in which
// frame, and a signal map (YAML, see MAPS.md) says which signal is which cell,
// temperature, current, bleed bit, counter or checksum.
//
// Here live the reading of both files, the decoding of frames into counts of
// the bench's steps in integers, what makes data fresh (counters, checksums,
// age per channel, complete sweeps), bleed commands, the carriers (SocketCAN,
// and struct can_frame records over a unix or TCP socket), and recorded buses
// (candump logs). What a reading means for the article is not decided here.
//
// The library go.einride.tech/can parses the statements of DBC files and does
// nothing else: its decoding clamps to the declared range, ignores scales of
// single bits and floats, and reads absent bytes as zero (INV-02).
package canbus
