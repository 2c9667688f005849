package store

import (
	"encoding/json"
	"os"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Options say how a store is opened. The zero value opens for writing with the
// defaults.
type Options struct {
	// ReadOnly opens for reading: nothing is created, recovered or changed.
	// Several processes may read at once, none while one writes.
	ReadOnly bool
	// Timeout is how long to wait for another process to let go of the file;
	// 0 means 1 s.
	Timeout time.Duration
	// Quota bounds the file's size in bytes; 0 means 16 GiB.
	Quota int64
	// Reserve is the part of the quota kept for marks, trips, acknowledgements
	// and run ends; 0 means 512 KiB.
	Reserve int64
	// NoSync leaves syncing to the operating system: for rehearsals in virtual
	// time, where durability is not what is being tried.
	NoSync bool
	// CommitEvery is the least time between two routine commits of all live
	// recorders together; 0 means 500 ms.
	CommitEvery time.Duration
	// Now is the wall clock that dates recoveries; nil means time.Now.
	Now func() time.Time

	// Disk stands beneath the store in rehearsals and may take its time, fail, or
	// end the process's life at any step of a write; its error is taken for the
	// disk's own. It is called from whatever goroutine writes. Nil: only the real
	// disk is there.
	Disk func(DiskStep) error

	// Orderly takes the lowest free pages first, so that the same writes make the
	// same file and fill it at the same place: for rehearsals. Large stores are
	// faster without.
	Orderly bool

	// extend replaces the allocation of disk blocks in tests.
	extend func(file *os.File, from, to int64) error
	// chunkFrames shortens chunks in tests.
	chunkFrames int
}

// Module is a registered module file.
type Module struct {
	Serial string `json:"serial"`
	// Source is the file's text as registered; Digest its SHA-256 in hex.
	Source     string          `json:"source"`
	Digest     string          `json:"digest"`
	Registered drivers.Instant `json:"registered_us"`
	Who        string          `json:"who"`
}

// Run is what is known when a run begins. Plan is the plan's canonical JSON;
// replay uses it and never the files it was made from.
type Run struct {
	// Bench, Module and Profile are names; Module is the serial.
	Bench, Module, Profile string
	Layout                 *drivers.Layout
	Plan                   []byte
	// PlanDigest names the plan for people and events; the store keeps a
	// SHA-256 of its own beside it.
	PlanDigest string
	// Criteria is the text of the criteria fixed beforehand.
	Criteria string
	Start    drivers.Instant
	Who      string
	// Virtual says that the run's time is not the wall clock's: frames come as
	// fast as they can be computed, so the recorder writes long blocks directly
	// and commits by itself after 4 MiB or half a second of real time.
	Virtual bool
}

// RunInfo is what is known of a stored run.
type RunInfo struct {
	ID         string          `json:"id"` // r000017: sorts by the order of beginning
	Bench      string          `json:"bench"`
	Module     string          `json:"module"`
	Profile    string          `json:"profile"`
	PlanDigest string          `json:"plan_digest"`
	Who        string          `json:"who"`
	Virtual    bool            `json:"virtual,omitempty"`
	Start      drivers.Instant `json:"start_us"`
	// Outcome is empty while the run goes on.
	Outcome machine.Outcome `json:"outcome,omitempty"`
	Reason  string          `json:"reason,omitempty"`
	End     drivers.Instant `json:"end_us,omitempty"`
	// Frames and LastFrame tell how much is stored, and until when.
	Frames    uint64          `json:"frames"`
	LastFrame drivers.Instant `json:"last_frame_us,omitempty"`
	// Verdict is "unproven" until figures are put.
	Verdict string `json:"verdict"`

	// PlanSum, LayoutSum and CriteriaSum name the stored texts by SHA-256;
	// Head is the hash chain's last link once the run has ended.
	PlanSum     string `json:"plan_sha256"`
	LayoutSum   string `json:"layout_sha256"`
	CriteriaSum string `json:"criteria_sha256"`
	Head        string `json:"head,omitempty"`
}

// Unproven is the verdict of a run that nobody has judged.
const Unproven = "unproven"

// RunFilter selects runs; empty fields select all.
type RunFilter struct {
	Bench, Module string
	// Open selects runs that have not ended.
	Open bool
	// Limit keeps the latest runs only; 0 keeps all.
	Limit int
}

// Event is one stored line: an event or action of the machine, with its place
// in the run's one sequence.
type Event struct {
	Seq  uint64
	At   drivers.Instant
	Line string
	// Ahead says that the line became durable ahead of lines before it, which
	// may still come: a reader that follows a run goes no further.
	Ahead bool
}

// Figures is what the judge hands back, once.
type Figures struct {
	Run string `json:"run"`
	// Verdict is the word: pass, conditional pass, conditional fail, fail,
	// unproven.
	Verdict string `json:"verdict"`
	// Figures and Reasons are the judge's JSON documents.
	Figures json.RawMessage `json:"figures"`
	Reasons json.RawMessage `json:"reasons"`
	// Digest is the judge's digest over what it read.
	Digest string          `json:"digest"`
	At     drivers.Instant `json:"at_us"`
}

// Latch is a trip that waits for a person.
type Latch struct {
	Bench  string          `json:"bench"`
	Run    string          `json:"run,omitempty"`
	Reason string          `json:"reason"`
	At     drivers.Instant `json:"at_us"`
}

// Audit is one entry of the audit trail.
type Audit struct {
	Number uint64          `json:"number"`
	At     drivers.Instant `json:"at_us"`
	Who    string          `json:"who"`
	Bench  string          `json:"bench,omitempty"`
	Run    string          `json:"run,omitempty"`
	What   string          `json:"what"` // register, check, begin, finish, interrupt, latch, acknowledge, judge
	Text   string          `json:"text"`
	// Hash covers the entry and its predecessor's hash.
	Hash string `json:"hash"`
}

// Recovery tells what Open found of a run that had no clean end.
type Recovery struct {
	Run       string
	Bench     string
	LastFrame drivers.Instant
	Frames    uint64
	// Energised says that the energised mark was found; the bench is latched.
	Energised bool
}

// Size tells how full the file is, in bytes.
type Size struct {
	// File is the file's size, Used the part in use, Quota the bound. Reserve is
	// allocated beforehand and kept for marks, trips and acknowledgements.
	File, Used, Quota, Reserve int64
}

// Levels are the lengths of time over which aggregates are kept.
var Levels = [...]drivers.Span{10 * drivers.Second, 60 * drivers.Second, 600 * drivers.Second}

// Bin aggregates the frames of one length of time.
type Bin struct {
	// At is the bin's beginning, a multiple of Span since the epoch.
	At     drivers.Instant
	Span   drivers.Span
	Frames int
	// Min, Max and Mean hold one raw count per channel, NoReading where no
	// frame had one; Mean is rounded to the nearest count, and within one count
	// where a bin is joined from parts. Valid counts frames with a reading.
	Min, Max, Mean, Valid []int32
}
