package study

import (
	"fmt"
	"math"
	"math/rand/v2"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
)

// Study is a profile on a bench, asked what it can find in modules of a kind.
// Several trials may use it at once: nothing in it changes after New.
type Study struct {
	Module   *profiles.Module
	Profile  *profiles.Profile
	Bench    *profiles.Bench
	Criteria *profiles.Criteria

	plan   *machine.Plan
	digest string
	pulse  float64 // A, the greatest of the profile's pulses
}

// New compiles the files. The taps of a virtual bench err each on its own: where
// the bench file leaves that open, it is declared here.
func New(m *profiles.Module, p *profiles.Profile, b *profiles.Bench, c *profiles.Criteria) (*Study, error) {
	if b.Monitor.CellErrors == "" {
		own := *b
		own.Monitor.CellErrors = drivers.ErrorsOwn
		b = &own
	}
	plan, problems := profiles.Compile(p, m, b)
	if len(problems) > 0 {
		return nil, profiles.Error(problems)
	}
	_, digest, err := profiles.Canonical(plan)
	if err != nil {
		return nil, err
	}
	s := &Study{Module: m, Profile: p, Bench: b, Criteria: c, plan: plan, digest: digest}
	for _, ins := range plan.Code {
		if ins.Op == machine.OpPulse {
			s.pulse = max(s.pulse, float64(ins.Drive.Current)/1e6)
		}
	}
	return s, nil
}

// New cells of one lot, as their makers sort them: standard deviations of 1 % in
// capacity and 2 % in resistance. A drawn deviation ends at two of these (see
// plant.Spread). Common practice, no source.
var newCells = plant.Spread{
	Capacity: 0.02, Resistance: 0.04, SoC: 0, SelfDischarge: 0.5, Joint: 0.2, Kelvin: 0.3,
}

// leftApart is the standard deviation of what balancing leaves between cells, as
// part of the capacity: modules of a study come balanced, which would take hours
// of each trial.
const leftApart = 0.0007

// began is the instant at which every trial's bench opens.
const began drivers.Instant = 1_790_000_000_000_000

// terminals is the standard deviation of a good module's terminal resistance, as
// part of it; a drawn deviation ends at two of these (common practice, no source).
const terminals = 0.1

// ambientSpread is how far the room's temperature differs from 25 degC, in mK.
const ambientSpread = 1500

// trial draws one module, its defect and its bench.
func (s *Study) trial(seed uint64, k *Kind) (*draw, float64, []int) {
	rng := rand.New(rand.NewPCG(seed, 0x57d0))
	a := virtual.DefaultArticle()
	a.Chemistry, a.Series, a.Capacity = s.Module.Chemistry, s.Module.Series, s.Module.Rated
	if v := s.Bench.Virtual; v != nil && v.Capacity > 0 {
		a.Capacity = drivers.Charge(float64(s.Module.Rated) * float64(v.Capacity) / 1e6)
	}
	a.SoC = 0.9
	if s.Profile.StartSoC > 0 {
		a.SoC = float64(s.Profile.StartSoC) / 1e6
	}
	a.Spread = newCells
	a.Ambient = drivers.ZeroC + 25*drivers.Kelvin + drivers.Millikelvins(rng.IntN(2*ambientSpread+1)-ambientSpread)
	d := &draw{rng: rng, study: s, config: &virtual.Config{
		Bench: s.Bench.Bench, Article: a, Seed: rng.Uint64(), Start: began, Sensing: virtual.Sensing{Static: 0.95},
	}}
	z := 2.0
	for math.Abs(z) >= 2 {
		z = rng.NormFloat64()
	}
	d.config.Article.Terminals = drivers.Microohms(math.Round(float64(a.Terminals) * (1 + terminals*z)))
	size := k.size(rng)
	named := k.put(d, size, rng.IntN(s.Module.Series))
	return d, size, named
}

// rig makes the drawn bench, with the article's cells balanced at the top.
func (d *draw) rig() (*virtual.Bench, error) {
	if len(d.lacks) > 0 {
		if err := d.weaken(); err != nil {
			return nil, err
		}
	}
	b, err := virtual.New(*d.config)
	if err != nil {
		return nil, fmt.Errorf("study: %w", err)
	}
	m := b.Plant().Module()
	even := make([]float64, m.Len())
	for k := range even { // all before any is moved: an excess is over the others
		even[k] = m.Charge(k) - m.Excess(k)
	}
	for k, q := range even {
		m.SetSoC(k, (q+leftApart*d.rng.NormFloat64()*m.Capacity(k))/m.Capacity(k))
	}
	return b, nil
}

// weaken gives the cells that lack capacity what is left of their lot's mean. A
// cell that is drawn with less by itself stays as it is.
func (d *draw) weaken() error {
	b, err := virtual.New(*d.config)
	if err != nil {
		return fmt.Errorf("study: %w", err)
	}
	m := b.Plant().Module()
	mean := float64(d.config.Article.Capacity) * 1e-9
	for _, l := range d.lacks {
		d.defect(plant.WeakCell, l.cell, max(1-(1-l.part)*mean/m.Capacity(l.cell), 0), 0)
	}
	return nil
}
