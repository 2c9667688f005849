// Package store keeps modules, runs, frames, events, latches and the audit
// trail in one bbolt file. It is the only package that imports bbolt.
//
// Frames arrive one by one in a Recorder, become durable in pieces of at most
// half a second, and are sealed later, from the counts still in memory, into
// long blocks with aggregates; the pieces go in the same transaction, so that a
// reader sees one continuous series whatever happens and whenever. A hash chain
// runs over the sealed blocks and their event lines.
//
// Space for what safety needs (energised mark, trip, acknowledgement, a run's
// end) is allocated beforehand and used by nothing else (INV-05). What was
// acknowledged as stored stays stored; at most the last second is lost to a
// kill (INV-14). A commit that fails says so, and the run must stop (INV-07).
//
// That holds on a disk that keeps what it reports as synced: data pages are
// synced before the header that names them, and whatever part of either a power
// cut leaves opens as the write before or the write after. A disk that reports a
// sync and keeps the old page undoes writes; blocks, texts and chains carry
// digests and show it, marks and latches do not.
//
// Nothing here decides about energy, reads YAML, or draws figures from frames.
package store
