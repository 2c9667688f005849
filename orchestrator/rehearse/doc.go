// Package rehearse attacks the production code on a virtual bench and lets the
// plant's truth judge it.
//
// One seed draws a Campaign: the article, the bench as it truly is, the
// profile's currents, what goes wrong and when, what a person does, what the
// store does, and when the process is killed. Run carries it out in virtual
// time through the loop, machine and guard that run a real bench: first under
// faults, then with the bench put right, when the run must be over, the latch
// must clear and the next run must work.
//
// The judge here reads only the truth of the plant, what passed over the wires,
// and the record; it asks the machine nothing. What no software can bound,
// the catalogue names, with the thing that must bound it (INV-12).
//
// What lives here: drawing, running, judging and telling. What may not: any
// decision about safety. Nothing imports this package but the command.
package rehearse
