// Package firstcheck judges a module before anybody trusts it: by a hand meter
// before the cell monitor is plugged in, by the monitor's taps at rest, by its
// answer to a small pulse, and by its insulation resistance.
//
// Each check gives findings: what was found, at which cells, and a sentence that
// tells a technician what to do. A check that cannot tell says so; it never
// passes for want of data (INV-02).
//
// It is pure: no clock, no file, no store, no instrument. Where readings come
// from, and where findings are kept, is the caller's.
package firstcheck
