// Package drivers holds what every part of rigwarden agrees on about a bench:
// integer quantities, the frame that carries one reading of the whole bench,
// the layout that names a frame's channels, the description of a bench's
// instruments, and the interface of each instrument role.
//
// Nothing here opens a wire, reads a clock or keeps a secret state. The wires
// live in the folders below (virtual, scpi, canbus, modbus, plugin), the
// process that owns them in host, and the physics of the virtual bench in
// plant. Floating point is welcome there and not here: what decides about
// energy is counted in integers.
package drivers
