// Package examples holds worked plugins: programs that serve a supply to
// rigwarden, one in Go (gosupply), one in Python (python_supply.py). Each
// pretends to own a supply of 60 V and 20 A that is wired to a battery of 50 V
// through 0.1 ohm, and writes down what its output did. Both pass the
// conformance suite, and both are killed and frozen in the tests here.
//
// drivers/plugin/PLUGINS.md explains what they do.
package examples
