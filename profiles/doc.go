// Package profiles reads the four files that users write (module, bench,
// profile, criteria), checks them, and compiles a profile for one module on one
// bench into the machine's Plan. It is the only compiler: run, preview,
// rehearsal and proof use its result unchanged.
//
// Every quantity in a file carries its unit and becomes an integer without
// passing through floating point. Every mistake of a file is reported at once,
// each as a Problem with file, line and column and with what would be right.
// What YAML would let pass silently (unknown, repeated and null keys, aliases,
// merge keys, tags, a second document) is refused.
//
// The shipped library is embedded here. No clock, no network and no device is
// touched: a file's text goes in, a plan or a list of problems comes out, and
// the same text gives the same plan, byte for byte, on any processor.
package profiles
