package firstcheck

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

const mV = drivers.Volt / 1000

// lfp is a module of pairs.
var lfp = Article{Series: 24, Parallel: 2, CellMax: 3650 * mV, NoCharge: 2000 * mV, CellResistance: 1500}

// handMeter is 0.05 % + 20 mV.
var handMeter = drivers.Accuracy{GainPPM: 500, Offset: 20_000}

// The arithmetic of a series string: a missing group costs its voltage once, a
// reversed one twice (common practice, no source).
func TestTotal(t *testing.T) {
	const e = 3290 * mV
	single := lfp
	single.Parallel = 1
	for name, tc := range map[string]struct {
		a     *Article
		total drivers.Microvolts
		kind  Kind
		grade Grade
	}{
		"as it should be":          {&lfp, 24 * e, TotalFits, Good},
		"at the edge":              {&lfp, 24*e + 24*10*mV, TotalFits, Good},
		"one bridged, pairs":       {&lfp, 23 * e, GroupMissing, Danger},
		"one bridged, single":      {&single, 23 * e, GroupMissing, Stop},
		"one reversed":             {&lfp, 22 * e, GroupReversed, Stop},
		"three groups' worth":      {&lfp, 21 * e, GroupReversed, Stop},
		"two reversed":             {&lfp, 20 * e, GroupReversed, Stop},
		"half a group short":       {&lfp, 24*e - e/2, TotalOff, Stop},
		"a group too many":         {&lfp, 25 * e, TotalHigh, Stop},
		"leads exchanged":          {&lfp, -24 * e, LeadsSwapped, Stop},
		"no contact":               {&lfp, 12 * mV, NoContact, Stop},
		"half of them are missing": {&lfp, 12 * e, GroupReversed, Stop},
	} {
		t.Run(name, func(t *testing.T) {
			list, err := ByHand(tc.a, Expected{e, 10 * mV}, &Hand{Total: tc.total, Accuracy: handMeter})
			require.NoError(t, err)
			require.Len(t, list, 1)
			require.Equal(t, tc.kind, list[0].Kind, list[0].What)
			require.Equal(t, tc.grade, list[0].Grade)
			require.NotEmpty(t, list[0].Do)
		})
	}
}

// A reversed group costs two groups' voltage, and the finding says so.
func TestReversedSaysTwo(t *testing.T) {
	list, err := ByHand(&lfp, Expected{3290 * mV, 10 * mV}, &Hand{Total: 22 * 3290 * mV, Accuracy: handMeter})
	require.NoError(t, err)
	require.Contains(t, list[0].What, "2 groups' voltage is missing. A reversed group costs two: one group reversed, or 2 groups missing")
}

// Where a cell is known to 100 mV only, 24 of them hide a missing one: the check
// cannot tell, and does not pass.
func TestTotalUncertain(t *testing.T) {
	e := Expected{3290 * mV, 100 * mV}
	for _, total := range []drivers.Microvolts{24 * 3290 * mV, 23 * 3290 * mV} {
		list, err := ByHand(&lfp, e, &Hand{Total: total, Accuracy: handMeter})
		require.NoError(t, err)
		require.Equal(t, TotalUncertain, list[0].Kind)
		require.False(t, Passed(list))
	}
	// The bound that it asks for suffices.
	list, err := ByHand(&lfp, Expected{3290 * mV, 65 * mV}, &Hand{Total: 23 * 3290 * mV, Accuracy: handMeter})
	require.NoError(t, err)
	require.Equal(t, GroupMissing, list[0].Kind)
}

// What cannot be told never passes: over all totals, the check is good only where
// the total fits and no smaller number of groups would fit as well.
func TestTotalNeverPassesFewer(t *testing.T) {
	for within := drivers.Microvolts(0); within < 200*mV; within += 3 * mV {
		e := Expected{3290 * mV, within}
		for total := 20 * e.Voltage; total < 26*e.Voltage; total += 37 * mV {
			h := &Hand{Total: total, Accuracy: handMeter}
			list, err := ByHand(&lfp, e, h)
			require.NoError(t, err)
			if !Passed(list) {
				continue
			}
			for lost := drivers.Microvolts(1); lost <= 4; lost++ {
				n := 24 - lost
				gap := total - n*e.Voltage
				require.Greater(t, max(gap, -gap), n*within+h.errorAt(total), "%v passes as 24 groups, but is %d within %v", total, n, within)
			}
		}
	}
}

func TestGroups(t *testing.T) {
	good := func(change map[int]drivers.Microvolts) *Hand {
		h := &Hand{Accuracy: drivers.Accuracy{GainPPM: 500, Offset: 1000}}
		for k := range lfp.Series {
			v := 3290*mV + drivers.Microvolts(k%3)*mV
			if c, ok := change[k]; ok {
				v = c
			}
			h.Groups = append(h.Groups, v)
			h.Total += v
		}
		return h
	}
	for name, tc := range map[string]struct {
		hand  *Hand
		kinds []Kind
		cells []int
		grade Grade
	}{
		"all alike":      {good(nil), []Kind{GroupsFit}, nil, Good},
		"one reversed":   {good(map[int]drivers.Microvolts{6: -3290 * mV}), []Kind{GroupReversed}, []int{6}, Stop},
		"one near 0 V":   {good(map[int]drivers.Microvolts{3: 40 * mV}), []Kind{GroupDead}, []int{3}, Danger},
		"never charged":  {good(map[int]drivers.Microvolts{23: 1990 * mV}), []Kind{NeverCharge}, []int{23}, Quarantine},
		"overcharged":    {good(map[int]drivers.Microvolts{0: 3700 * mV}), []Kind{OverVoltage}, []int{0}, Danger},
		"one apart":      {good(map[int]drivers.Microvolts{11: 3210 * mV}), []Kind{Spread}, []int{11}, Stop},
		"two of a kind":  {good(map[int]drivers.Microvolts{1: -3290 * mV, 2: -3290 * mV}), []Kind{GroupReversed}, []int{1, 2}, Stop},
		"several faults": {good(map[int]drivers.Microvolts{1: -3290 * mV, 2: 0}), []Kind{GroupDead, GroupReversed}, []int{2}, Danger},
	} {
		t.Run(name, func(t *testing.T) {
			list, err := ByHand(&lfp, Expected{}, tc.hand)
			require.NoError(t, err)
			var kinds []Kind
			for _, f := range list {
				kinds = append(kinds, f.Kind)
			}
			require.Equal(t, tc.kinds, kinds)
			require.Equal(t, tc.cells, list[0].Cells)
			require.Equal(t, tc.grade, Worst(list))
		})
	}

	t.Run("a reading at the wrong place", func(t *testing.T) {
		h := good(nil)
		h.Total -= 3290 * mV
		list, err := ByHand(&lfp, Expected{}, h)
		require.NoError(t, err)
		require.Equal(t, SumOff, list[len(list)-1].Kind)
		require.False(t, Passed(list))
	})
	t.Run("a pair near 0 V may be shorted inside", func(t *testing.T) {
		list, err := ByHand(&lfp, Expected{}, good(map[int]drivers.Microvolts{3: 40 * mV}))
		require.NoError(t, err)
		require.Contains(t, list[0].What, "internal short or a reversed pouch")
		require.Contains(t, list[0].Do, "Keep away, isolate")
	})
}

func TestByHandRefuses(t *testing.T) {
	for want, h := range map[string]*Hand{
		"3 groups were measured, the module has 24": {Groups: make([]drivers.Microvolts, 3)},
		"nothing says what a cell should read":      {Total: 79 * drivers.Volt},
	} {
		_, err := ByHand(&lfp, Expected{}, h)
		require.ErrorContains(t, err, want)
	}
	require.Equal(t, Unproven, Worst(nil), "nothing found is nothing proven")
}
