// Package tree reads the YAML files that users write: modules, profiles,
// benches, criteria, and what tells a driver how to speak to an instrument.
// Everything in YAML that could surprise (aliases, nulls, duplicate keys, a
// second document) is refused; every mistake is reported at once as
// file:line:col, with what would be right.
//
// What the keys mean lives elsewhere: this package knows no bench and no
// instrument, only text, places, names and quantities with their units. It is
// the only one that knows the YAML library.
package tree
