// Package rehearse attacks the production code on a virtual bench and lets the
// plant's truth judge it.
//
// One seed draws a Campaign: the article, the bench as it truly is, the
// profile's currents, what goes wrong and when, what a person does, what the
// store does, and when the process is killed. Run carries it out in virtual
// time through the loop, machine, guard and store that run a real bench: first
// under faults, then with the bench put right, when the run must be over, the
// latch must clear and the next run must work.
//
// The store is the product's, on a file of the campaign's own, written as a live
// bench writes it: routine commits beside the loop, permits and trips at once. In
// profiles of hours the routine ones are rare while nothing can befall the store.
// What is slow, fails or is full stands beneath it (disk), and a process that is
// killed leaves the file as its last transaction did; the next one recovers it.
//
// The judge here reads only the truth of the plant, what passed over the wires,
// and the record, which it reads back from the file and holds against a ledger of
// its own; it asks the machine nothing. What no software can bound,
// the catalogue names, with the thing that must bound it (INV-12).
//
// What lives here: drawing, running, judging and telling. What may not: any
// decision about safety. Nothing imports this package but the command.
package rehearse
