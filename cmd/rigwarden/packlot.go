package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/pack"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// lot are the modules that may go into a pack, and what has to be told of them.
type lot struct {
	candidates  []pack.Candidate
	resistance  string // the figure that currents are shared by
	left, notes []string
}

// qualified is a module with a passing record.
type qualified struct {
	file    *profiles.Module
	figures *qualify.Figures
	bench   string
}

// lot gathers the modules with a passing record; one that a person named and that
// has none is refused.
func (f *packPlanFlags) lot(ctx context.Context, s *session, args []string, l *pack.Layout) (*lot, error) {
	out := &lot{left: []string{}, notes: []string{}}
	strict := len(args) > 0
	if !strict {
		all, err := allModules(ctx, s)
		if err != nil {
			return nil, err
		}
		for _, m := range all {
			args = append(args, m.GetSerial())
		}
	}
	var list []qualified
	seen := map[string]bool{}
	for _, serial := range args {
		if seen[serial] {
			return nil, usagef("module %s is named twice; name each once", serial)
		}
		seen[serial] = true
		q, why, err := f.qualified(ctx, s, serial)
		if err != nil {
			return nil, err
		}
		if why != "" {
			out.left = append(out.left, serial+": "+why)
			continue
		}
		list = append(list, *q)
	}
	if strict && len(out.left) > 0 {
		return nil, &service.Error{Kind: service.KindRefused, What: "no passing record: " + strings.Join(out.left, "; "),
			Want: "modules whose latest verdict is a pass and that nothing since holds back"}
	}
	if need := l.Strings * l.Series; len(list) < need {
		e := &service.Error{Kind: service.KindRefused, What: fmt.Sprintf("%d strings of %d need %d modules with a passing record; there are %d", l.Strings, l.Series, need, len(list)), Want: "rigwarden progress tells what holds the others back"}
		for _, why := range out.left {
			e.Problems = append(e.Problems, service.Problem{What: why})
		}
		return nil, e
	}
	if err := unlike(list); err != nil {
		return nil, err
	}
	return out, out.fill(f, list, l)
}

// qualified finds a module's figures where its record passes and nothing holds it
// back; otherwise it says why.
func (f *packPlanFlags) qualified(ctx context.Context, s *session, serial string) (*qualified, string, error) {
	got, err := s.modules.Get(ctx, &rigwardenv1.GetModuleRequest{Serial: serial})
	if err != nil {
		return nil, "", err
	}
	checks, err := s.checks.List(ctx, &rigwardenv1.ListChecksRequest{Serial: serial})
	if err != nil {
		return nil, "", err
	}
	runs, err := moduleRuns(ctx, s, serial)
	if err != nil {
		return nil, "", err
	}
	st := stand(got.GetModule(), latestChecks(checks.GetChecks()), runs)
	if st.Running != "" {
		return nil, st.Running + " is under way", nil
	}
	if st.Stage != stageQualified {
		return nil, string(st.Stage) + ", " + st.Why, nil
	}
	c, err := judgedRun(ctx, s, serial)
	if err != nil {
		return nil, "", err
	}
	switch {
	case c.Verdict == "pass" || c.Verdict == "conditional pass" && f.conditional:
	default:
		return nil, c.Run + " is a " + c.Verdict, nil
	}
	if g, ok := c.figures.Find(qualify.Capacity); !proven(g, ok) {
		return nil, c.Run + " proves no capacity", nil
	}
	file, err := registered(ctx, s, serial)
	if err != nil {
		return nil, "", err
	}
	return &qualified{file, c.figures, c.Bench}, "", nil
}

// proven says that a figure is there and may be counted on.
func proven(g qualify.Figure, ok bool) bool {
	return ok && g.Status == qualify.OK && !g.NoValue && !g.Unjudged
}

// unlike refuses modules that no string could hold together.
func unlike(list []qualified) error {
	a := list[0].file
	for _, q := range list[1:] {
		b := q.file
		if a.Chemistry != b.Chemistry || a.Series != b.Series || a.Parallel != b.Parallel || a.Rated != b.Rated {
			return &service.Error{Kind: service.KindRefused,
				What: fmt.Sprintf("%s (%s) and %s (%s) are not alike", a.Serial, kindOf(a), b.Serial, kindOf(b)),
				Want: "modules of one chemistry, cell count and rated capacity; name those that are meant"}
		}
	}
	return nil
}

func kindOf(m *profiles.Module) string {
	return fmt.Sprintf("%s, %dS%dP, %s", m.Chemistry, m.Series, m.Parallel, profiles.FormatQuantity(int64(m.Rated), profiles.DimCharge))
}

// fill makes candidates of modules.
func (o *lot) fill(f *packPlanFlags, list []qualified, l *pack.Layout) error {
	var err error
	if o.resistance, err = commonResistance(list, f.resistance); err != nil {
		return err
	}
	l.ModuleAmps = float64(list[0].file.Limits.DischargeMax) * 1e-6
	low, high := 1e3, -1e3
	for i := range list {
		q := &list[i]
		capacity, _ := q.figures.Find(qualify.Capacity)
		resistance, _ := q.figures.Find(o.resistance)
		c := pack.Candidate{Name: q.figures.Module, Capacity: quantityOf(capacity, q.bench), Resistance: quantityOf(resistance, q.bench),
			Volts: float64(q.file.Series) * float64(q.file.Nominal) * 1e-6}
		if e, ok := q.figures.Find(qualify.Energy); proven(e, ok) {
			c.Volts = e.Value / capacity.Value
		}
		if t := resistance.Temperature; t != nil {
			low, high = min(low, *t), max(high, *t)
			c.Resistance = at25(c.Resistance, *t, l.PerKelvin, l.PerKelvinWithin)
		}
		l.ModuleAmps = min(l.ModuleAmps, float64(dischargeAllowed(q.file, at25degC, at25degC))*1e-6)
		o.candidates = append(o.candidates, c)
	}
	if high-low > 0.1 {
		o.notes = append(o.notes, fmt.Sprintf("Resistances were measured at %.1f to %.1f degC and are brought to 25 degC by %g %% a kelvin.", low, high, 100*l.PerKelvin))
	}
	o.leaks(list, l)
	o.notes = append(o.notes,
		"Resistance shares currents by "+o.resistance+"; joints and leads of the pack itself are not in it and can be more than the modules differ by.",
		"Verdicts are taken as they are stored: rigwarden verify tells whether a record still follows from its data.",
		"Currents are those of a flat open-circuit curve. Before strings are connected: rigwarden pack check.")
	return nil
}

// at25degC is the temperature that resistances are compared at, mK.
const at25degC = drivers.ZeroC + 25_000

// at25 brings a resistance to 25 degC; what the coefficient is unsure by is added.
func at25(q pack.Quantity, degC, perKelvin, within float64) pack.Quantity {
	dt := degC - 25
	by := 1 + perKelvin*dt
	if dt == 0 || by < 0.5 {
		return q
	}
	q.Value /= by
	q.Spread.Scale /= by
	q.Spread.Boxes = slices.Clone(q.Spread.Boxes)
	for i := range q.Spread.Boxes {
		q.Spread.Boxes[i] /= by
	}
	if w := q.Value * within * max(dt, -dt) / by; w > 0 {
		q.Spread.Boxes = append(q.Spread.Boxes, w)
	}
	shared := map[string]float64{}
	for s, u := range q.Shared {
		shared[s] = u / by
	}
	q.Shared = shared
	return q
}

// quantityOf is a figure with its errors; those of the bench's instruments it shares
// with every module measured there.
func quantityOf(g qualify.Figure, bench string) pack.Quantity {
	q := pack.Quantity{Value: g.Value, Spread: g.Spread, Shared: map[string]float64{}}
	if q.Spread.U() == 0 && g.U > 0 && g.K > 0 {
		q.Spread = gum.Spread{Scale: g.U / g.K}
	}
	for _, p := range g.Budget {
		if p.Shared {
			q.Shared[bench+": "+p.Source] = p.U
		}
	}
	return q
}

// commonResistance is the discharge resistance at the longest time that every
// module proves: over a discharge it is that which shares currents.
func commonResistance(list []qualified, named string) (string, error) {
	count := map[string]int{}
	for _, q := range list {
		for _, g := range q.figures.Figures {
			if g.Cell == 0 && pulseFigure.MatchString(g.Name) && proven(g, true) {
				count[g.Name]++
			}
		}
	}
	best, longest := "", -1.0
	for _, name := range slices.Sorted(maps.Keys(count)) {
		at, err := strconv.ParseFloat(pulseFigure.FindStringSubmatch(name)[1], 64)
		if err == nil && count[name] == len(list) && (named == name || named == "" && at > longest) {
			best, longest = name, at
		}
	}
	if best == "" {
		what := "no resistance is proven of all modules"
		if named != "" {
			what = named + " is not proven of all modules"
		}
		return "", &service.Error{Kind: service.KindRefused, What: what, Want: "runs of one profile with a discharge pulse; known are " + dash(strings.Join(slices.Sorted(maps.Keys(count)), ", "))}
	}
	return best, nil
}

// leaks takes self-discharge in. What is not proven of one module is taken to be as
// bad as the worst of the others, never as none (INV-02); proven of none, it is left
// out, and that is said.
func (o *lot) leaks(list []qualified, l *pack.Layout) {
	worst := pack.Quantity{}
	var missing []string
	for i := range list {
		g, ok := list[i].figures.Find(qualify.SelfDischarge)
		if !proven(g, ok) {
			missing = append(missing, o.candidates[i].Name)
			continue
		}
		q := quantityOf(g, list[i].bench)
		o.candidates[i].Leak = q
		if top := q.Value + g.U; len(missing) == i || top > worst.Value {
			worst.Value = top
		}
	}
	switch {
	case len(missing) == len(list):
		o.notes = append(o.notes, "Self-discharge is proven of no module and not counted: balance the pack before it has stood for long.")
		l.Standing = 0
	case len(missing) > 0:
		for i := range o.candidates {
			if slices.Contains(missing, o.candidates[i].Name) {
				o.candidates[i].Leak = worst
			}
		}
		o.notes = append(o.notes, fmt.Sprintf("Self-discharge of %s is not proven and taken as %.2f mA, the worst of the others with its uncertainty.", strings.Join(missing, ", "), worst.Value))
	}
}
