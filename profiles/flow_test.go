package profiles

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// contactorFlow follows every way through a plan's code and says whether the
// contactors are closed at each instruction. It is written against the
// instructions' meaning, not against the compiler.
func contactorFlow(plan *machine.Plan) error {
	const unseen, open, closed = 0, 1, 2
	state := make([]int, len(plan.Code)+1)
	work := []int{0}
	state[0] = open
	reach := func(to, s int) error {
		if to > len(plan.Code) {
			return fmt.Errorf("goes to %d, past the end", to)
		}
		if state[to] == unseen {
			state[to] = s
			work = append(work, to)
		}
		if state[to] != s {
			return fmt.Errorf("instruction %d is reached with contactors both open and closed", to)
		}
		return nil
	}
	for len(work) > 0 {
		at := work[len(work)-1]
		work = work[:len(work)-1]
		if at == len(plan.Code) {
			return fmt.Errorf("the code runs off its end")
		}
		in, s := &plan.Code[at], state[at]
		next := []int{at + 1}
		switch in.Op {
		case machine.OpDrive, machine.OpPulse:
			if s != closed {
				return fmt.Errorf("%d: drive with open contactors", at)
			}
			if b := in.Drive.Bounds; b.Span <= 0 || b.Charge <= 0 || b.Energy <= 0 {
				return fmt.Errorf("%d: drive without bounds", at)
			}
			if in.Drive.Expect != nil { // it ends by a trip
				s = open
			}
		case machine.OpBleed, machine.OpAsk:
			if s != open {
				return fmt.Errorf("%d: %s with closed contactors", at, in.Op)
			}
		case machine.OpWait:
			if in.Wait.Span > openRest && !in.Wait.Open {
				return fmt.Errorf("%d: a long wait that keeps contactors closed", at)
			}
			if in.Wait.Open {
				s = open
			}
		case machine.OpSwitch:
			s = open
			if in.Switch.Close {
				s = closed
			}
		case machine.OpCompare:
			next = append(next, in.Compare.Then)
		case machine.OpJump:
			next = append(next, in.Jump.Target)
		case machine.OpEnd:
			next = nil
		}
		for _, to := range next {
			if err := reach(to, s); err != nil {
				return fmt.Errorf("from %d: %w", at, err)
			}
		}
	}
	for i, s := range state[:len(plan.Code)] {
		if s == unseen {
			return fmt.Errorf("instruction %d is never reached", i)
		}
	}
	return nil
}

// INV-11, INV-16: whatever steps a profile strings together, every drive is
// bounded and stands between closed contactors, and every long rest, bleed and
// ask has them open, on every way through the code.
func TestContactorsOnEveryWay(t *testing.T) {
	m, b := shippedModule(t), shippedBench(t)
	rapid.Check(t, func(t *rapid.T) {
		src := "profile: drawn\nsteps:\n" + drawSteps(t, "  ", 0)
		p, problems := ParseProfile("drawn.yaml", []byte(src))
		if len(problems) > 0 {
			t.Fatalf("%s\n%v", src, Error(problems))
		}
		plan, problems := Compile(p, m, b)
		if len(problems) > 0 {
			t.Fatalf("%s\n%v", src, Error(problems))
		}
		if err := contactorFlow(plan); err != nil {
			t.Fatalf("%v\n%s\n%s", err, src, Listing(plan))
		}
		if err := plan.Check(); err != nil {
			t.Fatalf("%v\n%s", err, Listing(plan))
		}
		labels := map[string]bool{}
		for _, s := range plan.Steps {
			if labels[s.Label] {
				t.Fatalf("label %q twice\n%s", s.Label, src)
			}
			labels[s.Label] = true
		}
	})
}

// drawSteps draws a few steps as a person would write them.
func drawSteps(t *rapid.T, indent string, depth int) string {
	simple := []string{
		"- charge: {current: C/2, hold: 3.55 V, taper: C/20}",
		"- discharge: {current: C/3, cell_end: 2.60 V, use: capacity, save_as: capacity}",
		"- discharge: {current: C/3, counted: 20 % of rated}",
		"- pulse: {discharge: 1 C, for: 10 s}",
		"- rest: 5 min",
		"- rest: 1 h",
		"- ask: Look at the module.",
		"- balance: {to: 0.3 %, top_up: {current: C/5, hold: 3.55 V, taper: C/20}}",
	}
	var b strings.Builder
	for range rapid.IntRange(1, 5).Draw(t, "steps") {
		kind := rapid.IntRange(0, len(simple)+1).Draw(t, "kind")
		if kind < len(simple) {
			b.WriteString(indent + simple[kind] + "\n")
			continue
		}
		if depth > 0 {
			continue
		}
		b.WriteString(indent + "- repeat:\n")
		in := indent + "    "
		if kind == len(simple) {
			fmt.Fprintf(&b, "%stimes: %d\n%ssteps:\n", in, rapid.IntRange(1, 4).Draw(t, "times"), in)
		} else {
			otherwise := rapid.SampledFrom([]string{"fail", "go_on"}).Draw(t, "otherwise")
			fmt.Fprintf(&b, "%suntil: {value: capacity, last: 2, within: 3 %%}\n%sat_most: 4\n%sotherwise: %s\n%ssteps:\n%s  %s\n",
				in, in, in, otherwise, in, in, simple[1])
		}
		b.WriteString(in + "  - rest: 1 min\n" + drawSteps(t, in+"  ", depth+1))
	}
	if b.Len() == 0 {
		return indent + "- rest: 5 min\n"
	}
	return b.String()
}

// INV-16: a rest of ten minutes keeps the contactors closed, one longer opens
// them, and only what needs them closes them again.
func TestRestOpensOverTenMinutes(t *testing.T) {
	plan := compiled(t, `
profile: rests
steps:
  - rest: 1 h
  - charge: {current: C/2, hold: 3.55 V, taper: C/20}
  - rest: 10 min
  - rest: 601 s
  - rest: 5 min
`)
	var ops []string
	for _, in := range plan.Code {
		s := string(in.Op)
		if in.Wait != nil {
			s = fmt.Sprintf("wait %ds open=%t", in.Wait.Span/1_000_000, in.Wait.Open)
		}
		ops = append(ops, s)
	}
	require.Equal(t, []string{"wait 3600s open=true", "switch", "drive", "wait 600s open=false", "wait 601s open=true", "wait 300s open=false", "end"}, ops)
}
