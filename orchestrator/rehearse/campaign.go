package rehearse

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Campaign is all that one seed draws. Its text (Lines) says everything that
// makes it.
type Campaign struct {
	Seed   uint64
	Config virtual.Config // article, spread, sensors; Faults is what goes wrong
	Acts   []Act
	Store  StoreFault
	Kill   *Kill
	// Think is how long a person lets the bench stand before answering an ask.
	Think drivers.Span

	// Rate is the factor, in parts per thousand, on the profile's currents.
	Rate int
	plan *machine.Plan
}

// Act is something a person does at an instant since the bench's start.
type Act struct {
	At   drivers.Span
	Verb machine.Verb
}

// StoreKind is how the store fails.
type StoreKind string

// Kinds of store faults.
const (
	StoreGood    StoreKind = ""
	StoreSlow    StoreKind = "slow"    // each commit and mark takes Delay
	StoreFailing StoreKind = "failing" // nothing is stored any more, trips and latches neither
	StoreFull    StoreKind = "full"    // as failing, but for the reserve
)

// StoreFault is what the store does from an instant on.
type StoreFault struct {
	Kind  StoreKind
	At    drivers.Span // since the bench's start
	Delay drivers.Span
}

// Kill ends the process at one of its calls of drivers, journal and disk, the
// latter between a write's beginning, its commit and its answer, and starts it
// again later. The instruments flow on meanwhile, as real ones do.
type Kill struct {
	Call   int          // counted from 1; it is not carried out any more
	At     drivers.Span // since the bench's start, the first call from there on; where Call is 0
	Outage drivers.Span
	Again  int // the call at which the next process dies while it starts; 0: none
}

// faults counts the independent things that go wrong in the campaign.
func (c *Campaign) faults() int {
	n := len(c.Config.Faults)
	if c.Store.Kind != StoreGood {
		n++
	}
	if c.Kill != nil {
		n++
	}
	return n
}

// classes are the classes of what goes wrong in the campaign, one for each thing.
func (c *Campaign) classes() []string {
	var list []string
	for _, f := range c.Config.Faults {
		info, _ := virtual.FaultOf(f.Kind)
		list = append(list, string(info.Class))
	}
	if c.Store.Kind != StoreGood {
		list = append(list, "store")
	}
	if c.Kill != nil {
		list = append(list, "process")
	}
	return list
}

// single says that at most one thing goes wrong, by which INV-12 and the others
// must hold. A person who presses the emergency stop is no fault.
func (c *Campaign) single() bool {
	n := c.faults()
	for _, f := range c.Config.Faults {
		if f.Kind == virtual.EmergencyPressed {
			n--
		}
	}
	return n <= 1
}

// Lines tell the campaign, one thing a line.
func (c *Campaign) Lines() []string {
	a := &c.Config.Article
	lines := []string{fmt.Sprintf("campaign seed=%d soc=%.4f ambient_mK=%d rate=%d", c.Seed, a.SoC, a.Ambient, c.Rate)}
	for _, d := range a.Defects {
		lines = append(lines, fmt.Sprintf("defect kind=%d cell=%d amount=%.6g", d.Kind, d.Cell+1, d.Amount))
	}
	for _, f := range c.Config.Faults {
		lines = append(lines, "fault "+f.String())
	}
	for _, act := range c.Acts {
		lines = append(lines, fmt.Sprintf("person %s at=%s", act.Verb, seconds(act.At)))
	}
	if s := c.Store; s.Kind != StoreGood {
		lines = append(lines, strings.TrimRight(fmt.Sprintf("store %s at=%s delay=%s", s.Kind, seconds(s.At), seconds(s.Delay)), " "))
	}
	if k := c.Kill; k != nil {
		at := ""
		if k.Call == 0 {
			at = " at=" + seconds(k.At)
		}
		lines = append(lines, fmt.Sprintf("kill call=%d%s outage=%s again=%d", k.Call, at, seconds(k.Outage), k.Again))
	}
	return lines
}

func seconds(d drivers.Span) string {
	return fmt.Sprintf("%.3fs", float64(d)/float64(drivers.Second))
}
