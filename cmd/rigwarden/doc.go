// Command rigwarden is the one binary: the orchestrator (serve), the process
// that holds a bench's wires (host), a self-contained demonstration (demo), and
// the client commands. Commands parse, call the service and print; they decide
// nothing. Only here are drivers chosen by name.
package main
