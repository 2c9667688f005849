//go:build race

package main

// raceOn says that the race detector is compiled in.
const raceOn = true
