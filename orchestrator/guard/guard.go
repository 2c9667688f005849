package guard

import (
	"errors"

	"github.com/rigwarden/rigwarden/drivers"
)

// Guard judges the frames of one bench, in order. It is not for concurrent use.
type Guard struct{}

// New compiles limits for frames of the layout.
func New(l *Limits, layout *drivers.Layout) (*Guard, error) { return nil, errors.New("guard: not built") }

// Check judges one frame and returns the findings whose persistence is over.
func (g *Guard) Check(f *drivers.Frame, c *Context) []Finding { return nil }

// Tighten lowers limits to the tightest of the guard's own and l; nil goes back.
func (g *Guard) Tighten(l *Limits) error { return nil }

// Reset forgets everything seen so far.
func (g *Guard) Reset(at drivers.Instant) {}

// Clone returns a copy that shares nothing that changes.
func (g *Guard) Clone() *Guard { return g }

// Softs is how often a soft limit was newly exceeded since Reset.
func (g *Guard) Softs() int { return 0 }

// Describe tells a finding in one sentence.
func Describe(f Finding, l *drivers.Layout) string { return f.Cause.String() }
