package pack

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func rules() Rules { return Rules{Apart: UsualApart} }

func refusals(p *Precheck) string {
	var out []string
	for _, f := range p.Findings {
		if f.Grade == Refuse {
			out = append(out, f.Module+": "+f.What)
		}
	}
	return strings.Join(out, "\n")
}

// Check value 15's modules may be connected: 14.93 A are under 20 A. At 2.2 V apart
// they may not, and the remedy is within what 20 A allow.
func TestCheckOfTwo(t *testing.T) {
	b := two(t)
	p, err := Check(b, rules())
	require.NoError(t, err)
	assert.True(t, p.Allowed, refusals(p))
	assert.Nil(t, p.Remedy)
	assert.InEpsilon(t, 14.925373, p.Modules[0].Worst.Discharge, 1e-6)
	assert.InEpsilon(t, 0.811966, p.Modules[1].Worst.Moved, 1e-6)
	require.Len(t, p.Decay, 7)
	assert.InEpsilon(t, 195.8461538*2.302585093, p.Decay[3].Seconds, 1e-3, "a tenth after ln 10 time constants")
	assert.InEpsilon(t, 195.8461538*4.605170186, p.Decay[6].Seconds, 1e-3)
	// A dead short at one sees the other's 118.4 V behind 52 mOhm.
	assert.InEpsilon(t, 118.4/0.052, p.Modules[1].FaultCurrent, 1e-9)

	b[0].Voltage = 116.8 + 2.2
	p, err = Check(b, rules())
	require.NoError(t, err)
	assert.False(t, p.Allowed)
	assert.Contains(t, refusals(p), "A: may give up to 20.6 A, over 20 A: the module's discharge limit")
	require.NotNil(t, p.Remedy)
	assert.InDelta(t, 1.072, p.Remedy.Within, 1e-9)
	// 2.2 V on the smaller one's 3562.5 F take less than on the other's 3750 F.
	assert.Equal(t, Bring{Module: "B", Way: ChargeUp, From: 116.8, To: 119, Charge: p.Remedy.Steps[0].Charge}, p.Remedy.Steps[0])
	assert.InEpsilon(t, 2.2*3562.5/3600, p.Remedy.Steps[0].Charge, 1e-9)
	assert.Equal(t, Leave, p.Remedy.Steps[1].Way)
}

// The weakest decides: fuse, joint, or the module's own limit, each in turn.
func TestTheWeakestDecides(t *testing.T) {
	for what, weaken := range map[string]func(*Branch){
		"its fuse":                     func(b *Branch) { b.Fuse = 14 },
		"the weakest joint":            func(b *Branch) { b.Joint = 14 },
		"the module's discharge limit": func(b *Branch) { b.DischargeMax = 14 },
	} {
		b := two(t)
		weaken(&b[0])
		p, err := Check(b, rules())
		require.NoError(t, err)
		assert.False(t, p.Allowed)
		assert.Contains(t, refusals(p), "over 14 A: "+what)
		assert.Equal(t, "A: "+what, p.AllowedBy)
	}
}

// On a flat curve equal volts hide large differences of charge: what was not
// counted is refused, and so is what was counted far apart. Two that were counted
// alike may be connected.
func TestEqualVoltsOnAFlatCurve(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 0))
	b := bank(t, r, 2)
	for i := range b {
		b[i].Voltage, b[i].VoltageWithin, b[i].CurveDoubt, b[i].SoC = 24*3.268, 0.02, 0.005, nil
		b[i].Resistance, b[i].ResistanceWithin = 0.04, 0.004
	}
	p, err := Check(b, rules())
	require.NoError(t, err)
	assert.False(t, p.Allowed)
	assert.Contains(t, refusals(p), "equal volts hide large differences")
	assert.Zero(t, p.Difference)
	assert.Greater(t, p.Apart, 0.2)
	assert.Greater(t, p.Modules[0].Worst.Moved, 1.0, "Ah that may pass although the volts are equal")
	assert.True(t, p.Remedy.ByCharge)
	for _, s := range p.Remedy.Steps {
		assert.Equal(t, FillAndCount, s.Way, "nobody knows where it stands")
		assert.InDelta(t, -(1-p.Remedy.SoC)*b[0].Capacity, s.Charge, 2)
	}

	b[0].SoC, b[1].SoC = &Interval{0.55, 0.57}, &Interval{0.55, 0.58}
	p, err = Check(b, rules())
	require.NoError(t, err)
	assert.True(t, p.Allowed, refusals(p))
	assert.InDelta(t, 0.03, p.Apart, 1e-9)

	b[0].SoC = &Interval{0.68, 0.70}
	p, err = Check(b, rules())
	require.NoError(t, err)
	assert.Contains(t, refusals(p), "may lie up to 15 % apart")
}

// A counter and a voltmeter that contradict each other are no evidence (INV-02).
func TestContradiction(t *testing.T) {
	b := bank(t, rand.New(rand.NewPCG(1, 0)), 2)
	for i := range b {
		b[i].Voltage, b[i].SoC = 24*3.31, &Interval{0.79, 0.81}
	}
	b[1].SoC = &Interval{0.1, 0.2}
	p, err := Check(b, rules())
	require.NoError(t, err)
	assert.Contains(t, refusals(p), "M2: its voltage says")
}

func TestWhatMustNeverBeConnected(t *testing.T) {
	for what, spoil := range map[string]func(*Branch){
		"31 cells in series, A has 32": func(b *Branch) { b.Series = 31 },
		"chemistry LFP, A is NMC":      func(b *Branch) { b.Chemistry = "LFP" },
		"its polarity is reversed":     func(b *Branch) { b.Voltage = -116.8 },
		"1.900 V a cell on average":    func(b *Branch) { b.Voltage = 1.9 * 32 },
	} {
		b := two(t)
		spoil(&b[1])
		p, err := Check(b, rules())
		require.NoError(t, err)
		assert.False(t, p.Allowed, what)
		assert.Contains(t, refusals(p), what)
	}
}

func TestProtectionOfEachModule(t *testing.T) {
	b := two(t)
	b[0].Fuse, b[0].Breaking, b[1].Isolated = 0, 0, false
	b[1].Breaking = 2000 // the other drives 2277 A into a short here
	p, err := Check(b, rules())
	require.NoError(t, err)
	assert.Contains(t, refusals(p), "A: no fuse is declared")
	assert.NotContains(t, refusals(p), "over 0 A", "a fuse that nobody declared is one finding, not two")
	assert.Contains(t, refusals(p), "B: its fuse breaks 2 kA; a fault may drive 2.28 kA through it")
	last := p.Findings[len(p.Findings)-1]
	assert.Equal(t, Caution, last.Grade)
	assert.Contains(t, last.What, "attended work only")
}

func TestCheckRefusesNonsense(t *testing.T) {
	for want, spoil := range map[string]func([]Branch) []Branch{
		"1 modules to connect":   func(b []Branch) []Branch { return b[:1] },
		"A is named twice":       func(b []Branch) []Branch { b[1].Name = "A"; return b },
		"an interval above 0":    func(b []Branch) []Branch { b[1].ResistanceWithin = 1; return b },
		"more than 0 would be":   func(b []Branch) []Branch { b[1].Capacity = 0; return b },
		"a rising pair":          func(b []Branch) []Branch { b[1].SoC = &Interval{0.5, 0.4}; return b },
		"no open-circuit curve":  func(b []Branch) []Branch { b[1].Curve = Curve{}; return b },
		"a limit is below 0":     func(b []Branch) []Branch { b[1].Fuse = -1; return b },
		"has no name":            func(b []Branch) []Branch { b[1].Name = ""; return b },
		"one or more would":      func(b []Branch) []Branch { b[1].Series = 0; return b },
		"finite numbers would":   func(b []Branch) []Branch { b[1].VoltageWithin = -1; return b },
		"2 to 32 would be right": func(b []Branch) []Branch { return make([]Branch, 33) },
	} {
		_, err := Check(spoil(two(t)), rules())
		assert.ErrorContains(t, err, want)
	}
	_, err := NewCurve([]float64{0, 0}, []float64{1, 2})
	assert.ErrorContains(t, err, "does not rise")
}

// Whoever does what the remedy says is let through: the currents of modules that
// were brought to the target, as far off as the remedy allows, are within limits.
func TestTheRemedyHelps(t *testing.T) {
	const seed = 21
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	refused := 0
	for range 60 {
		b := bank(t, r, 2+r.IntN(4))
		for i := range b {
			b[i].SoC = nil
		}
		p, err := Check(b, Rules{Apart: 1})
		require.NoError(t, err)
		if p.Allowed {
			continue
		}
		refused++
		require.NotNil(t, p.Remedy)
		require.Positive(t, p.Remedy.Within)
		for _, s := range p.Remedy.Steps {
			for i := range b {
				if b[i].Name == s.Module {
					b[i].Voltage = s.To
					if s.Way != Leave {
						b[i].Voltage += (2*r.Float64() - 1) * p.Remedy.Within
					}
				}
			}
		}
		p, err = Check(b, Rules{Apart: 1})
		require.NoError(t, err)
		assert.NotContains(t, refusals(p), "may take up to")
		assert.NotContains(t, refusals(p), "may give up to")
	}
	assert.Greater(t, refused, 20)
}
