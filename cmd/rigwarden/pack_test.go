package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/pack"
	"github.com/rigwarden/rigwarden/orchestrator/qualify"
	"github.com/rigwarden/rigwarden/orchestrator/qualify/gum"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

// shelve makes a store with judged modules, a line of the list each:
//
//	SERIAL VERDICT CAPACITY_Ah RESISTANCE_mOhm SELF_DISCHARGE_mA
//
// A dash is a figure that the run does not prove.
func shelve(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: shelve STORE LIST")
	}
	st, err := store.Open(ts.MkAbs(args[0]), store.Options{Now: rigTime})
	ts.Check(err)
	defer func() { ts.Check(st.Close()) }()
	text, err := profiles.LibraryModule("KW-01")
	ts.Check(err)
	for line := range strings.Lines(ts.ReadFile(args[1])) {
		f := strings.Fields(line)
		if len(f) != 5 {
			ts.Fatalf("%q: five fields would be right", line)
		}
		ts.Check(shelveOne(st, bytes.ReplaceAll(text, []byte("KW-01"), []byte(f[0])), f))
	}
}

func shelveOne(st *store.Store, file []byte, f []string) error {
	at := drivers.Instant(rigTime().UnixMicro())
	sum := sha256.Sum256(file)
	if err := st.PutModule(store.Module{Serial: f[0], Source: string(file), Digest: hex.EncodeToString(sum[:]), Registered: at, Who: "technician"}); err != nil {
		return err
	}
	if f[1] == "registered" {
		return nil
	}
	layout := &drivers.Layout{Channels: []drivers.Channel{{Kind: drivers.ModuleVoltage, Scale: drivers.Scale{Num: 1000, Den: 1}}}}
	run, err := st.Begin(store.Run{Bench: "quay-1", Module: f[0], Profile: "qualify", Layout: layout, Plan: []byte("{}"), Start: at, Virtual: true})
	if err != nil {
		return err
	}
	if err := run.Finish(machine.OutcomeDone, "", at); err != nil {
		return err
	}
	figures, err := json.Marshal(qualify.Figures{Module: f[0], Profile: "qualify", Bench: "quay-1", Figures: []qualify.Figure{
		shelved(qualify.Capacity, "Ah", f[2], 0.05), shelved("module_resistance_10s", "mOhm", f[3], 0.2), shelved(qualify.SelfDischarge, "mA", f[4], 0.1)}})
	if err != nil {
		return err
	}
	return st.PutFigures(store.Figures{Run: run.ID(), Verdict: strings.ReplaceAll(f[1], "-", " "), Figures: figures, Reasons: []byte("{}"), Digest: "d", At: at})
}

// shelved is a figure of which half the variance is the bench's own.
func shelved(name, unit, text string, u float64) qualify.Figure {
	g := qualify.Figure{Name: name, Unit: unit, Status: qualify.OK, U: 2 * u, K: 2, Coverage: gum.Level, Spread: gum.Spread{Scale: u},
		Budget: []qualify.Part{{Source: "shunt gain", U: 0.7 * u, Shared: true}}}
	if text == "-" {
		return qualify.Figure{Name: name, Unit: unit, Status: qualify.Unproven, NoValue: true, Reason: "not measured"}
	}
	if _, err := fmt.Sscan(text, &g.Value); err != nil {
		panic(err)
	}
	if unit == "mOhm" {
		t := 25.0
		g.Temperature = &t
	}
	return g
}

// What a module may take between two temperatures is the least of the rows that
// lie there (INV-15); outside of its temperatures it may take nothing.
func TestChargeAllowedByTemperature(t *testing.T) {
	text, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	m, ps := profiles.ParseModule("KW-01.yaml", text)
	require.Empty(t, ps)
	degC := func(c float64) drivers.Millikelvins { return drivers.ZeroC + drivers.Millikelvins(1000*c) }
	for _, x := range []struct{ cold, warm, want float64 }{
		{21, 21, 45}, // the module's own limit, under the maker's 60 A
		{15, 39, 45},
		{14.9, 21, 20},
		{12, 12, 20},
		{9.9, 12, 4},
		{5, 5, 4},
		{21, 40, 20},
		{2.9, 21, 0}, // the module is not charged under 3 degC
		{-5, -5, 0},
		{21, 42.1, 0},
	} {
		assert.Equal(t, drivers.Microamps(x.want*1e6), chargeAllowed(m, degC(x.cold), degC(x.warm)), "%g to %g degC", x.cold, x.warm)
	}
	assert.Equal(t, drivers.Microamps(50e6), dischargeAllowed(m, degC(2), degC(21)))
	assert.Zero(t, dischargeAllowed(m, degC(-11), degC(21)))
	assert.Zero(t, dischargeAllowed(m, degC(21), degC(51)))
}

// R25 = R/(1 + a*(T - 25)): 33 mOhm at 22 degC and -1 % a kelvin are 32.0388 mOhm;
// 0.5 % of doubt over 3 K are a rectangle of 1.5 % / 1.03.
func TestResistanceAt25(t *testing.T) {
	q := at25(pack.Quantity{Value: 33, Spread: gum.Spread{Scale: 0.1}, Shared: map[string]float64{"b: s": 0.05}}, 22, -0.01, 0.005)
	assert.InDelta(t, 33/1.03, q.Value, 1e-12)
	assert.InDelta(t, 0.1/1.03, q.Spread.Scale, 1e-12)
	require.Len(t, q.Spread.Boxes, 1)
	assert.InDelta(t, 33/1.03*0.015/1.03, q.Spread.Boxes[0], 1e-12)
	assert.InDelta(t, 0.05/1.03, q.Shared["b: s"], 1e-12)
}
