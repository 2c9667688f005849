package rehearse

import (
	"math/rand/v2"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// dice draws what a campaign is made of.
type dice struct {
	*rand.Rand
	places *plant.Rand // what the catalogue draws
}

const streamPlaces = 0x706c61636573

func newDice(seed uint64) dice {
	return dice{rand.New(rand.NewPCG(seed, 0x7265686561727365)), plant.NewRand(seed, streamPlaces)}
}

func (d dice) between(a, b float64) float64 { return a + float64((b-a)*d.Float64()) }
func (d dice) chance(p float64) bool        { return d.Float64() < p }

// scale draws a factor whose logarithm is even between those of a and b. The
// logarithm is a table's, not the processor's: a seed draws the same everywhere.
func (d dice) scale(a, b float64) float64 {
	octaves := 0.0
	for x := a; float64(x*2) <= b; x *= 2 {
		octaves++
	}
	f := a
	for range d.IntN(int(octaves) + 1) {
		f *= 2
	}
	return min(float64(f*d.between(1, 2)), b)
}

func (d dice) span(a, b drivers.Span) drivers.Span {
	if b <= a {
		return a
	}
	return a + drivers.Span(d.Int64N(int64(b-a)))
}

// Plain is a campaign with nothing but what the twin's files describe, and the
// article and sensors of a seed; faults are the caller's to add.
func (t *Twin) Plain(seed uint64) *Campaign {
	c := &Campaign{Seed: seed, Config: t.config, plan: t.Plan, Rate: 1000}
	c.Config.Seed = seed
	return c
}

// Draw makes the campaign of a seed.
func (t *Twin) Draw(seed uint64) *Campaign {
	d := newDice(seed)
	c := t.Plain(seed)
	c.Config.Seed = d.Uint64()
	t.drawArticle(d, c)
	t.drawBench(d, c)
	t.drawProfile(d, c)
	t.drawFaults(d, c)
	t.drawPeople(d, c)
	return c
}

// drawArticle draws the article: mostly as expected, often near a limit, at
// times with a defect of manufacture.
func (t *Twin) drawArticle(d dice, c *Campaign) {
	a := &c.Config.Article
	low, high := -0.02, 0.02
	if d.chance(0.4) {
		low, high = -0.15, 0.08
	}
	a.SoC = min(max(a.SoC+d.between(low, high), 0.02), 0.99)
	s := &a.Spread
	f := d.between(0.3, 1.5)
	s.Capacity, s.Resistance, s.SoC = float64(s.Capacity*f), float64(s.Resistance*f), float64(s.SoC*f)
	a.Ambient += drivers.Millikelvins(d.between(-3000, 3000))
	if maker := &t.Module.Maker; d.chance(0.1) {
		edge := maker.ChargeTempMin
		if d.chance(0.5) {
			edge = min(maker.ChargeTempMax, maker.DischargeTempMax) - 8000
		}
		a.Ambient = edge + drivers.Millikelvins(d.between(-4000, 6000))
	}
	if !d.chance(0.25) {
		return
	}
	defect := plant.Defect{Cell: d.IntN(t.Module.Series)}
	joint := float64(t.Module.CellResistance) / 1e6
	hour := float64(t.Module.Rated) / float64(drivers.AmpereHour)
	switch d.IntN(5) {
	case 0:
		defect.Kind, defect.Amount = plant.WeakCell, d.between(0.02, 0.15)
	case 1:
		defect.Kind, defect.Amount = plant.StiffCell, d.between(0.1, 1)
	case 2:
		defect.Kind, defect.Amount = plant.BadJoint, float64(joint*d.between(0.1, 1.5))
	case 3:
		defect.Kind, defect.Amount = plant.LeakingCell, float64(hour*d.between(0.001, 0.05))
	case 4:
		defect.Kind, defect.Amount = plant.LaggardCell, d.between(0.005, 0.03)
	}
	a.Defects = []plant.Defect{defect}
}

// drawBench draws instruments that are better than declared, as they are.
func (t *Twin) drawBench(d dice, c *Campaign) {
	c.Config.Sensing = virtual.Sensing{Static: d.between(0.2, 0.7), Noise: d.between(0.01, 0.07), Ideal: d.chance(0.1)}
	for _, p := range []*drivers.PowerSpec{&c.Config.Bench.Supply, &c.Config.Bench.Load} {
		p.Delay = max(drivers.Span(float64(p.Delay)*d.between(0.3, 1)), drivers.Millisecond)
		p.Slew = drivers.Microamps(float64(p.Slew) * d.between(1, 3))
	}
}

// drawProfile lowers the profile's currents at times; where the compiler does
// not take the result, the profile stays as it is.
func (t *Twin) drawProfile(d dice, c *Campaign) {
	rate := 500 + d.IntN(500)
	if !d.chance(0.2) {
		return
	}
	p := *t.Profile
	p.Steps = slowed(p.Steps, int64(rate))
	if plan, problems := profiles.Compile(&p, t.Module, t.Bench); len(problems) == 0 {
		c.plan, c.Rate = plan, rate
	}
}

func slowed(steps []profiles.StepSpec, rate int64) []profiles.StepSpec {
	slow := func(r *profiles.Rate) {
		r.Current = r.Current * drivers.Microamps(rate) / 1000
		if r.Den != 0 {
			r.Num, r.Den = r.Num*rate, r.Den*1000
		}
	}
	steps = slices.Clone(steps)
	for i := range steps {
		s := &steps[i]
		slow(&s.Drive.Current)
		s.Repeat.Steps = slowed(s.Repeat.Steps, rate)
	}
	return steps
}

// drawFaults draws how many faults there are, and each: the odds themselves
// differ from seed to seed.
func (t *Twin) drawFaults(d dice, c *Campaign) {
	list := slices.DeleteFunc(virtual.Faults(), func(i virtual.FaultInfo) bool { return !i.Fits(&t.Plan.Bench) })
	odds := d.Float64()
	n := 1
	switch {
	case odds < 0.12:
		n = 0
	case odds > 0.75:
		n = 2 + d.IntN(2)
	}
	other := d.Float64() // store and kill stand in for a fault of the catalogue
	switch {
	case other < 0.03:
		c.Store = t.drawStore(d)
		c.Kill = t.drawKill(d)
		// Most calls come long before the store fails, or long after that has ended
		// the run: a kill while the store fails needs its own moment.
		if d.chance(0.7) {
			c.Kill.Call, c.Kill.At = 0, max(0, c.Store.At+d.span(-drivers.Second, 4*drivers.Second))
		}
	case other < 0.08:
		c.Store = t.drawStore(d)
	case other < 0.2:
		c.Kill = t.drawKill(d)
	}
	if other < 0.2 && d.chance(0.6) {
		n = 0
	}
	for range n {
		c.Config.Faults = append(c.Config.Faults, t.drawFault(d, list[d.IntN(len(list))]))
	}
}

// drawKill draws one call of all, or one of those that do something: most calls
// only append a frame.
func (t *Twin) drawKill(d dice) *Kill {
	k := &Kill{Call: 1 + d.IntN(max(t.Healthy.Calls, 1)), Outage: drivers.Span(float64(drivers.Second) * d.scale(0.05, 30))}
	if n := len(t.Healthy.Acts); n > 0 && d.chance(0.6) {
		k.Call = t.Healthy.Acts[d.IntN(n)]
	}
	if d.chance(0.3) {
		k.Again = 1 + d.IntN(16)
	}
	return k
}

func (t *Twin) drawStore(d dice) StoreFault {
	return StoreFault{
		Kind:  []StoreKind{StoreSlow, StoreFailing, StoreFull}[d.IntN(3)],
		At:    d.span(0, t.Healthy.Length),
		Delay: drivers.Span(float64(drivers.Millisecond) * d.scale(10, 4000)),
	}
}

// drawPeople draws what a person does at the worst moment.
func (t *Twin) drawPeople(d dice, c *Campaign) {
	if !d.chance(0.3) {
		return
	}
	at := d.span(0, t.Healthy.Length)
	if d.chance(0.6) {
		c.Acts = append(c.Acts, Act{at, machine.VerbPause})
		at += drivers.Span(float64(drivers.Second) * d.scale(0.02, 60))
		c.Acts = append(c.Acts, Act{at, machine.VerbResume})
	}
	if d.chance(0.5) {
		at += drivers.Span(float64(drivers.Second) * d.scale(0.02, 20))
		c.Acts = append(c.Acts, Act{at, machine.VerbStop})
	}
}

// drawFault draws a fault of a kind by the catalogue's own ranges, its moment and
// how long it lasts.
func (t *Twin) drawFault(d dice, info virtual.FaultInfo) virtual.Fault {
	f := info.Draw(d.places, &t.Plan.Bench, t.ratedFor(info))
	f.When = t.drawMoment(d, info.Default.When)
	// A third of the faults pass: a loose plug, a bus that recovers.
	if f.For == 0 && d.chance(0.35) {
		f.For = drivers.Span(float64(drivers.Millisecond) * d.scale(50, 60_000))
	}
	return f
}

// ratedFor is the capacity by which the catalogue sizes a fault's currents: an
// article's faults go by the article, those of sensors and instruments by the
// currents that this profile asks for, be they forty times the capacity an hour.
func (t *Twin) ratedFor(info virtual.FaultInfo) drivers.Charge {
	if info.Class == virtual.ClassArticle {
		return t.Module.Rated
	}
	most := max(t.Plan.SupplyArm.CurrentMax, t.Plan.LoadArm.CurrentMax)
	return drivers.Charge(most) * (drivers.AmpereHour / drivers.Charge(drivers.Ampere))
}

// drawMoment draws when a fault begins: at any moment of the run, or a moment
// after current began to flow, or while precharging.
func (t *Twin) drawMoment(d dice, usual virtual.Trigger) virtual.Trigger {
	long := t.Healthy.Length
	switch p := d.Float64(); {
	case p < 0.15:
		return virtual.Trigger{On: virtual.AfterCharging, Span: d.span(0, long/3)}
	case p < 0.3:
		return virtual.Trigger{On: virtual.AfterDischarging, Span: d.span(0, long/4)}
	case p < 0.35:
		return virtual.Trigger{On: virtual.AfterPrecharge, Span: d.span(0, t.closing())}
	case p < 0.45 && usual.Span == 0:
		return usual
	}
	return virtual.Trigger{On: virtual.AfterStart, Span: d.span(0, long)}
}

// closing is how long the healthy run takes from precharging until the contactors
// have come to rest: the travel of the last of them is its worst moment.
func (t *Twin) closing() drivers.Span {
	var from drivers.Span
	for _, s := range t.Healthy.States {
		switch s.Name {
		case "precharge":
			from = s.At
		case "closed":
			return max(s.At-from, 300*drivers.Millisecond)
		}
	}
	return 300 * drivers.Millisecond
}

// inOrder sorts acts by time.
func inOrder(acts []Act) []Act {
	slices.SortStableFunc(acts, func(a, b Act) int { return int(a.At - b.At) })
	return acts
}
