// Package orchestrator holds no code of its own. Its folders are, in the order
// in which data passes them: machine (decides) with guard inside it, bench (the
// loop around the machine), block and store (what was seen and done), qualify
// (figures and verdict), balance (the planner of top balancing) and service
// (what clients speak). The tests here hold the walls between them.
package orchestrator
