package profiles

import "github.com/rigwarden/rigwarden/drivers"

// Profile is a profile file: what to do with a module, step by step, free of
// any particular module or bench.
type Profile struct {
	Name    string
	Title   string
	Purpose string
	// Attended says that a person stays at the bench for the whole run; without
	// it the bench's independent protections are demanded.
	Attended bool
	// Limits may be tighter than module's and bench's, never looser.
	Limits LimitSet
	// StartSoC is the state of charge the prediction starts from.
	StartSoC Ppm
	Steps    []StepSpec
	Digest   string
	File     string
	at       map[string]Pos
}

// StepSpec is one step of a profile; exactly the part that Kind names is used.
type StepSpec struct {
	// Kind is charge, discharge, pulse, rest, balance, ask, repeat, close, open.
	Kind  string
	Label string
	// Use is what the figures may use the step for.
	Use string
	Pos Pos

	Drive   DriveSpec    // charge, discharge, pulse
	For     drivers.Span // rest; a pulse's and a drive's is in Drive
	Balance BalanceSpec
	Ask     string
	Repeat  RepeatSpec
	at      map[string]Pos
}

// Rate is a current, given in amperes or as a multiple of the rated capacity
// per hour (0.5 C).
type Rate struct {
	Current drivers.Microamps
	// PerMicro is the rate in C, millionths: 0.5 C is 500 000. 0 where Current
	// is given.
	PerMicro int64
}

// CellOrModule is a voltage, of one cell ("3.55 V/cell") or of the article.
type DriveSpec struct {
	Charge  bool // direction
	Current Rate
	Hold    drivers.Microvolts
	Taper   Rate
	CellEnd drivers.Microvolts
	For     drivers.Span
	// Counted ends by counted charge: an amount, or Fraction of what another
	// step saved under CountedOf ("rated" is the rated capacity).
	Counted   drivers.Charge
	Fraction  Ppm
	CountedOf string
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

// ParseProfile reads a profile file; name appears in the problems.
func ParseProfile(name string, src []byte) (*Profile, []Problem) { return nil, nil }
