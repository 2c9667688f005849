// Package service is the orchestrator's face: thin gRPC services over the
// store, the profiles and the benches. It translates between what travels and
// what the other packages speak, checks sizes, and decides nothing about
// energy; stopping a run passes straight through (INV-13).
//
// Here, and in the commands, protobuf types end. The package never decodes
// recorded frames: whoever wants figures is a reader (Judge), usually another
// process, so that history is not decoded where a bench may be energised.
package service
