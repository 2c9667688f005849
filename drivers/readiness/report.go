package readiness

import (
	"github.com/rigwarden/rigwarden/drivers"
)

// Instrument is what was found at one role.
type Instrument struct {
	Role     string           `json:"role"`
	Driver   string           `json:"driver"`
	Address  string           `json:"address,omitempty"`
	Answers  bool             `json:"answers"`
	Identity drivers.Identity `json:"identity,omitzero"`
	// Another says that something answers which is not what the bench file names.
	Another bool `json:"another,omitempty"`
	// Named says that the bench file says who must answer here.
	Named bool `json:"identity_expected"`
	// Range is what the bench file declares, for people.
	Range string `json:"range"`
	// Reads are the latest readings, for people.
	Reads string `json:"reads,omitempty"`
	// Readings is how many new readings came while it was watched, Age how old
	// the youngest was at the end.
	Readings int          `json:"readings"`
	Age      drivers.Span `json:"age_us"`
	// Armed are the instrument's own limits as read back; nil: not armed.
	Armed *drivers.Protection `json:"armed,omitempty"`
	// Notes are what the driver itself has to say.
	Notes []string `json:"notes,omitempty"`
}

// Finding is one thing to put right.
type Finding struct {
	Role string `json:"role"`
	// What is wrong, and what would be right.
	What string `json:"what"`
	Want string `json:"want"`
	// Advice says that the bench is ready all the same.
	Advice bool `json:"advice,omitempty"`
}

// Report is what Check found.
type Report struct {
	Bench       string       `json:"bench"`
	Watched     drivers.Span `json:"watched_us"`
	Instruments []Instrument `json:"instruments"`
	Findings    []Finding    `json:"findings"`
}

// Ready says that nothing must be put right.
func (r *Report) Ready() bool {
	for _, f := range r.Findings {
		if !f.Advice {
			return false
		}
	}
	return true
}

func (c *checker) wrong(role, what, want string) {
	c.report.Findings = append(c.report.Findings, Finding{Role: role, What: what, Want: want})
}

func (c *checker) advise(role, what, want string) {
	c.report.Findings = append(c.report.Findings, Finding{Role: role, What: what, Want: want, Advice: true})
}
