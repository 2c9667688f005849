// Package pack answers two questions of whoever builds a pack from modules that
// were proved one by one: may these be connected in parallel now, and which of
// them go where.
//
// Check looks at modules that stand apart: what current would equalise them, how
// it decays, how much charge and heat it moves, by simulation over their
// open-circuit curves; the worst case over every stated uncertainty is held
// against the weakest of module, fuse and joint. Choose arranges modules in
// strings and groups so that the pack delivers the most until the first of them is
// empty, with the currents that their resistances and temperatures give them.
//
// It is pure: no clock, no file, no store; what is drawn at random is drawn from a
// seed. Currents are positive while they charge, resistances are always positive.
package pack
