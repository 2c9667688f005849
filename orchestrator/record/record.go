package record

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
)

// Papers are the sizes that a record is set for.
var Papers = []string{"A4", "Letter"}

// Record is everything that the page shows, in words. Nothing in it is markup:
// Write escapes all of it.
type Record struct {
	// Paper is one of Papers.
	Paper  string
	Serial string
	Title  string
	Head   Headline
	// Made says when and by which program the page was made.
	Made     string
	Identity []Fact
	// Nameplate is the text for the module's own label.
	Nameplate []string
	Rule      []string
	Criteria  []Criterion
	Figures   []Row
	Odd       []string
	Notes     []string
	Plots     []Plot
	Checks    []Check
	Runs      []Run
	Steps     []Step
	Events    []Event
	// Left counts steps and events that the page has no room for.
	Left        int
	Instruments []Instrument
	Trace       []Fact
	Release     []Fact
}

// Fact is a name with what is known.
type Fact struct{ Name, Value string }

// Criterion is one demand, what was measured, and the decision.
type Criterion struct {
	Figure, Value, Interval, Unit, Limit, Accept, Conformity, Decision string
	Passed                                                             bool
}

// Row is one figure.
type Row struct {
	Name, Value, Interval, Unit, Note string
	Proven                            bool
}

// Plot is a drawing with its heading and what to know of it.
type Plot struct {
	Title, Note string
	*Drawing
}

// Check is a first check, Run another run of the module, Step one pass of a step
// and Event what was recorded beside.
type (
	Check struct{ At, Method, Who, Grade, What string }
	Run   struct{ ID, Profile, Started, Ended, Verdict, Note string }
	Step  struct{ At, Label, Took, Charge, Energy, End string }
	Event struct{ At, What string }
)

// Instrument is one quantity of one instrument, as the bench declared it.
type Instrument struct{ Role, Identity, Quantity, Range, Step, Accuracy string }

var (
	//go:embed page.html
	pageText string
	//go:embed page.css
	styleText string
)

var page = template.Must(template.New("record").Funcs(template.FuncMap{
	// The style sheet is the package's own text, without anything of the record.
	"style": func() template.CSS { return template.CSS(styleText) },
	"num":   coordinate,
}).Parse(pageText))

// Write writes the page. It reports a paper that is none of Papers, and what w
// reports.
func (r *Record) Write(w io.Writer) error {
	if !slices.Contains(Papers, r.Paper) {
		return fmt.Errorf("paper %q; %s would be right", r.Paper, strings.Join(Papers, " or "))
	}
	return page.Execute(w, r)
}
