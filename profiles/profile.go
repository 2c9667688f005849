package profiles

import (
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Profile is a profile file: what to do with a module, step by step, free of
// any particular module or bench.
type Profile struct {
	Name    string
	Title   string
	Purpose string
	// Attended says that a person stays at the bench for the whole run; without
	// it the bench's independent protections are demanded.
	Attended bool
	// ProofWithin is how old a proof of the bench's protections may be, where nobody
	// stays; 0: as the bench file says.
	ProofWithin drivers.Span
	// Limits may be tighter than module's and bench's, never looser.
	Limits LimitSet
	// StartSoC is the state of charge the prediction starts from.
	StartSoC Ppm
	Steps    []StepSpec
	Digest   string
	File     string

	at map[string]Pos
}

// StepSpec is one step of a profile; exactly the part that Kind names is used.
type StepSpec struct {
	// Kind is charge, discharge, pulse, rest, balance, prove, ask, repeat, close, open.
	Kind  string
	Label string
	// Use is what the figures may use the step for.
	Use string
	Pos Pos

	Drive   DriveSpec    // charge, discharge, pulse
	For     drivers.Span // rest; a pulse's and a drive's is in Drive
	Balance BalanceSpec
	Prove   ProveSpec
	Ask     string
	Repeat  RepeatSpec

	at map[string]Pos
}

// Rate is a current, given in amperes or as a multiple of the rated capacity
// per hour (0.5 C).
type Rate struct {
	Current drivers.Microamps
	// Num/Den is the rate in C: 500 000/1 000 000 for 0.5 C, 1/3 for C/3. Den is
	// 0 where Current is given.
	Num, Den int64
}

// given says whether the file gave the rate at all.
func (r Rate) given() bool { return r.Current != 0 || r.Den != 0 }

// at returns the current for a rated capacity, rounded down.
func (r Rate) at(rated drivers.Charge) drivers.Microamps {
	if r.Den == 0 {
		return r.Current
	}
	oneC := new(big.Int).SetInt64(int64(rated) / 3_600_000) // uA that take an hour
	oneC.Mul(oneC, big.NewInt(r.Num)).Quo(oneC, big.NewInt(r.Den))
	if !oneC.IsInt64() {
		return math.MaxInt64
	}
	return drivers.Microamps(oneC.Int64())
}

// DriveSpec is what charge, discharge and pulse ask for; 0: not asked for.
type DriveSpec struct {
	Charge  bool // direction
	Current Rate
	Hold    drivers.Microvolts
	Taper   Rate
	CellEnd drivers.Microvolts
	For     drivers.Span
	// Lead and LeadFor are a pulse's first, smaller level before For begins.
	Lead    Rate
	LeadFor drivers.Span
	// Counted ends by counted charge: an amount, or Fraction of what another
	// step saved under CountedOf ("rated" is the rated capacity).
	Counted   drivers.Charge
	Fraction  Ppm
	CountedOf string
	Storage   bool // counted to the module's storage level
	AtMost    BoundSpec
	// SaveAs names the charge for later steps and repeats.
	SaveAs string
}

// BoundSpec are bounds (INV-11); 0: the compiler's default.
type BoundSpec struct {
	For    drivers.Span
	Charge drivers.Charge
	Energy drivers.Energy
}

// BalanceSpec balances to a charge imbalance near the top of charge.
type BalanceSpec struct {
	Target  Ppm // of the rated capacity
	TopUp   DriveSpec
	Settle  drivers.Span
	HeldFor drivers.Span       // how long both conditions are to hold; 0: as long as cells settle
	Spread  drivers.Microvolts // at rest; 0: what the target is worth at the hold
	Flat    bool               // goes on where voltage says little
	Chunk   drivers.Span
	Rounds  int
	TempMax drivers.Millikelvins
	AtMost  BoundSpec
}

// RepeatSpec repeats its steps a number of times, or until saved values agree.
type RepeatSpec struct {
	Times int // exactly, where Until is empty; at most, otherwise
	// Until names the saved value; the last Last of them are to differ by at
	// most Within of the rated capacity.
	Until  string
	Last   int
	Within Ppm
	// Fail ends the run when they never agree; otherwise it goes on with a note.
	Fail  bool
	Steps []StepSpec
}

// ParseProfile reads a profile file; name appears in the problems. The profile
// is nil when there are problems.
func ParseProfile(name string, src []byte) (*Profile, []Problem) {
	r := &tree.Report{}
	f := KindProfile.open(r, name, src)
	if f == nil {
		return nil, r.Sorted()
	}
	p := &Profile{File: name, Digest: digest(src), at: f.At, StartSoC: 500_000}
	p.Name = f.Name("profile", "qualify", true)
	p.Title = f.Optional("title")
	p.Purpose = f.Optional("purpose")
	p.Attended = f.Yes("attended")
	p.ProofWithin = drivers.Span(f.Quantity("proof_within", false, DimTime, anyProof))
	if f.Has("expect_start") {
		p.StartSoC = f.Quantity("expect_start", true, DimRatio, anyRatio)
	}
	if n := f.Find("limits"); n != nil {
		p.Limits = readLimits(r.Fields(n, "limits"), false)
	}
	right := "list what to do, such as `- rest: 10 min`"
	p.Steps = readSteps(f, f.Need("steps", right), 0)
	f.Finish()
	checkSaved(r, p.Steps, map[string]bool{"rated": true})
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return p, nil
}

// checkSaved follows the steps in order: what a step counts by or a repeat
// watches must have been saved before.
func checkSaved(r *tree.Report, steps []StepSpec, saved map[string]bool) {
	known := func(at Pos, name string) {
		if name == "" || saved[name] {
			return
		}
		right := "let an earlier discharge say save_as: " + name
		if near := tree.Nearest(name, slices.Sorted(maps.Keys(saved))); near != "" {
			right = fmt.Sprintf("did you mean %q?", near)
		}
		r.Addf(at, right, "no step before this one saves %q", name)
	}
	for i := range steps {
		s := &steps[i]
		known(s.at["counted"], s.Drive.CountedOf)
		if s.Drive.SaveAs == "rated" {
			r.Add(s.at["save_as"], `"rated" is the rated capacity`, "choose another name")
		} else if s.Drive.SaveAs != "" {
			saved[s.Drive.SaveAs] = true
		}
		if s.Kind == "repeat" {
			checkSaved(r, s.Repeat.Steps, saved)
			known(s.at["until.value"], s.Repeat.Until)
		}
	}
}
