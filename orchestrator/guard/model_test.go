package guard

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/rigwarden/rigwarden/drivers"
)

// model is the dumb alternative: floats, maps, whole histories, no shortcuts.
// It knows ranges, directions, the charge table, explained currents, missing
// readings and staleness.
type model struct {
	l      Limits
	layout *drivers.Layout
	badAt  map[int]float64
	condAt map[Cause]float64
	beat   map[int]float64
	last   map[int]int32
}

func newModel(l Limits, layout *drivers.Layout, at drivers.Instant) *model {
	m := &model{l: l, layout: layout, badAt: map[int]float64{}, condAt: map[Cause]float64{}, beat: map[int]float64{}, last: map[int]int32{}}
	for _, k := range beatKinds {
		m.beat[layout.Find(k)] = float64(at)
	}
	return m
}

// check returns every finding's cause and channel, sorted.
func (m *model) check(f *drivers.Frame, x *Context) []string {
	var out []string
	now := float64(f.At)
	value := func(i int) float64 {
		s := m.layout.Channels[i].Scale
		return float64(s.Offset) + float64(f.Counts[i])*float64(s.Num)/float64(s.Den)
	}
	shunt := m.layout.Find(drivers.ModuleCurrent)
	missing := f.Counts[shunt] == drivers.NoReading
	amps := value(shunt)
	charging := missing || amps > float64(m.l.NearZero)
	discharging := missing || amps < -float64(m.l.NearZero)

	judge := func(i int, persistence drivers.Span) Cause {
		ch, v := m.layout.Channels[i], value(i)
		outside := func(lo, hi int64) bool { return v < float64(lo) || v > float64(hi) }
		if f.Counts[i] == drivers.NoReading {
			return Missing
		}
		l := &m.l
		switch ch.Kind {
		case drivers.CellVoltage:
			switch {
			case outside(int64(l.CellPlausibleMin), int64(l.CellPlausibleMax)):
				return Impossible
			case v > float64(l.CellMax):
				return CellHigh
			case v < float64(l.CellMin):
				return CellLow
			}
		case drivers.Temperature:
			switch {
			case outside(int64(l.TempPlausibleMin), int64(l.TempPlausibleMax)):
				return Impossible
			case v > float64(l.TempMax) || charging && v > float64(l.TempChargeMax) || discharging && v > float64(l.TempDischargeMax):
				return TempHigh
			case v < float64(l.TempMin):
				return TempLow
			case charging && v < float64(l.TempChargeMin):
				return ChargeCold
			case discharging && v < float64(l.TempDischargeMin):
				return TempLow
			}
		case drivers.ModuleVoltage:
			n := int64(m.layout.Cells()) * int64(l.CellPlausibleMax)
			switch {
			case outside(-n, n):
				return Impossible
			case v > float64(l.ModuleMax):
				return ModuleHigh
			case v < float64(l.ModuleMin):
				return ModuleLow
			}
		case drivers.ModuleCurrent, drivers.BoxCurrent, drivers.SupplyCurrent, drivers.LoadCurrent:
			if outside(-int64(l.CurrentPlausible), int64(l.CurrentPlausible)) {
				return Impossible
			}
		}
		return CauseNone
	}
	for i, ch := range m.layout.Channels {
		p := m.l.CurrentPersistence
		switch ch.Kind {
		case drivers.CellVoltage, drivers.ModuleVoltage:
			p = m.l.CellPersistence
		case drivers.Temperature:
			p = m.l.TempPersistence
		}
		c := judge(i, p)
		if c == CauseNone {
			delete(m.badAt, i)
			continue
		}
		if _, ok := m.badAt[i]; !ok {
			m.badAt[i] = now
		}
		if now-m.badAt[i] >= float64(p) {
			out = append(out, fmt.Sprint(c, i))
		}
	}
	hold := func(c Cause, on bool) {
		if !on {
			delete(m.condAt, c)
			return
		}
		if _, ok := m.condAt[c]; !ok {
			m.condAt[c] = now
		}
		if now-m.condAt[c] >= float64(m.l.CurrentPersistence) {
			out = append(out, fmt.Sprint(c, shunt))
		}
	}
	if !missing {
		limit := float64(m.l.ChargeMax)
		any := false
		cold, hot := 1e12, -1e12
		for i := range m.layout.Temps() {
			t := m.layout.Temp(i)
			v := value(t)
			if f.Counts[t] != drivers.NoReading && v >= float64(m.l.TempPlausibleMin) && v <= float64(m.l.TempPlausibleMax) {
				any = true
				cold, hot = min(cold, v), max(hot, v)
			}
		}
		for mK := cold; any && mK <= hot; mK += 50 {
			at := 0.0
			for _, row := range m.l.ChargeTable {
				if mK >= float64(row.Temp) {
					at = float64(row.Current)
				}
			}
			limit = min(limit, at)
		}
		if !any {
			limit = 0
		}
		hold(ChargeHigh, amps > max(limit, float64(m.l.NearZero)))
		hold(DischargeHigh, amps < -max(float64(m.l.DischargeMax), float64(m.l.NearZero)))
		tol := max(float64(m.l.CurrentTolerance), float64(m.l.NearZero))
		hold(CurrentUncommanded, amps > float64(x.Charge)+tol || amps < -float64(x.Discharge)-tol)
	}
	for at, since := range m.beat {
		n := f.Counts[at]
		if last, ok := m.last[at]; n >= 0 && (!ok || n > last) {
			m.beat[at], m.last[at], since = now, n, now
		}
		if now-since > float64(m.l.Stale) {
			out = append(out, fmt.Sprint(Stale, at))
		}
	}
	slices.Sort(out)
	return out
}

// modelCauses are the causes that the model knows.
var modelCauses = []Cause{CellHigh, CellLow, ModuleHigh, ModuleLow, TempHigh, TempLow, ChargeCold, ChargeHigh, DischargeHigh, CurrentUncommanded, Missing, Stale, Impossible}

// Whatever frames come, guard and model find the same, in every frame.
func TestAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cells, temps := rapid.IntRange(1, 5).Draw(t, "cells"), rapid.IntRange(1, 3).Draw(t, "temps")
		layout, err := benchOf(cells, temps).Layout()
		if err != nil {
			t.Fatal(err)
		}
		l := limitsOf(cells)
		l.TempSoftMax, l.TempRateMax, l.LoneMove, l.TempFrozenMove = 0, 0, 0, 0
		l.ChargeTable = []ChargeRow{{celsius(2), 5_000_000}, {celsius(10), 20_000_000}, {celsius(30), 9_000_000}}
		shift := func(name string) int64 { return rapid.Int64Range(-60, 60).Draw(t, name) } // limits between counts
		l.CellMax += drivers.Microvolts(shift("cell max"))
		l.CellMin += drivers.Microvolts(shift("cell min"))
		l.TempChargeMin += drivers.Millikelvins(shift("charge min"))
		l.ChargeMax += drivers.Microamps(shift("charge max"))
		g, err := New(&l, layout)
		if err != nil {
			t.Fatal(err)
		}
		at := drivers.Instant(1_000_000)
		g.Reset(at)
		m := newModel(l, layout, at)
		f := &drivers.Frame{Counts: make([]int32, len(layout.Channels))}
		near := func(i int) int32 { // values about every edge
			s := layout.Channels[i].Scale
			edges := []int64{0}
			switch layout.Channels[i].Kind {
			case drivers.CellVoltage:
				edges = []int64{3_300_000, 3_300_000, 3_600_000, 2_500_000, 500_000, 4_900_000}
			case drivers.Temperature:
				edges = []int64{int64(celsius(25)), int64(celsius(0)), int64(celsius(10)), int64(celsius(30)), int64(celsius(45)), int64(celsius(50)), int64(celsius(-10)), int64(celsius(-20)), int64(celsius(55)), int64(celsius(120))}
			case drivers.ModuleVoltage:
				edges = []int64{int64(cells) * 3_300_000, int64(l.ModuleMax), int64(l.ModuleMin)}
			case drivers.ModuleCurrent:
				edges = []int64{0, 50_000, -50_000, 150_000, -150_000, 5_000_000, 9_000_000, 20_000_000, -40_000_000, 10_150_000}
			case drivers.SupplyCurrent:
				edges = []int64{0, 100_000_000}
			}
			return s.Nearest(rapid.SampledFrom(edges).Draw(t, "edge")) + rapid.Int32Range(-1, 1).Draw(t, "count")
		}
		for i, ch := range layout.Channels {
			if ch.Kind <= drivers.LoadCurrent && ch.Kind != drivers.KindUnspecified {
				f.Counts[i] = near(i)
			}
		}
		for range rapid.IntRange(1, 40).Draw(t, "frames") {
			at = at.Add(drivers.Span(rapid.SampledFrom([]int64{1_000, 99_999, 100_000, 100_001, 300_000}).Draw(t, "period")))
			f.At = at
			for _, k := range beatKinds {
				if rapid.IntRange(0, 9).Draw(t, "beats") > 0 {
					f.Counts[layout.Find(k)]++
				}
			}
			for range rapid.IntRange(0, 3).Draw(t, "changes") {
				i := rapid.IntRange(0, layout.Find(drivers.LoadCurrent)).Draw(t, "channel")
				if f.Counts[i] = near(i); rapid.IntRange(0, 9).Draw(t, "missing") == 0 {
					f.Counts[i] = drivers.NoReading
				}
			}
			x := &Context{Charge: drivers.Microamps(rapid.SampledFrom([]int64{0, 10_000_000}).Draw(t, "charge"))}
			want := m.check(f, x)
			var got []string
			for _, fd := range g.Check(f, x) {
				if slices.Contains(modelCauses, fd.Cause) {
					got = append(got, fmt.Sprint(fd.Cause, fd.Channel))
				}
			}
			slices.Sort(got)
			if !slices.Equal(got, want) {
				t.Fatalf("guard found %v, model %v", got, want)
			}
		}
	})
}

// Random counts never make it panic, order stays, and a clone agrees.
func FuzzCheck(f *testing.F) {
	f.Add([]byte("some frames"), int64(100_000))
	f.Add([]byte{0x80, 0, 0, 0, 0x7f, 0xff, 0xff, 0xff}, int64(-1))
	layout, err := benchOf(5, 2).Layout()
	if err != nil {
		f.Fatal(err)
	}
	l := limitsOf(5)
	l.ChargeTable = []ChargeRow{{celsius(2), 5_000_000}, {celsius(10), 20_000_000}}
	f.Fuzz(func(t *testing.T, data []byte, step int64) {
		g, err := New(&l, layout)
		if err != nil {
			t.Fatal(err)
		}
		fr := &drivers.Frame{Counts: make([]int32, len(layout.Channels))}
		var copied *Guard
		for n := 0; n+4 <= len(data); n += 4 {
			fr.At += drivers.Instant(step)
			for i := range fr.Counts {
				b := data[(n+i)%len(data):]
				fr.Counts[i] = fr.Counts[i]*31 + int32(b[0])<<24 + int32(i*n)
			}
			x := &Context{Steady: data[n]&1 != 0, ContactorsSettled: data[n]&2 != 0, Bleeding: data[n]&4 != 0, Charge: drivers.Microamps(step)}
			found := slices.Clone(g.Check(fr, x))
			if !slices.IsSortedFunc(found, order) {
				t.Fatalf("findings out of order: %v", found)
			}
			for _, fd := range found {
				if Describe(fd, layout) == "" {
					t.Fatalf("no words for %v", fd)
				}
			}
			if copied != nil && !slices.Equal(found, copied.Check(fr, x)) {
				t.Fatal("a clone found something else")
			}
			copied = g.Clone()
			copied.Check(fr, x) // must not disturb g
			copied = g.Clone()
		}
	})
}
