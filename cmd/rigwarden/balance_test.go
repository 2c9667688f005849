package main

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// A recorded look becomes a sentence, a table and JSON; a bound stays a bound.
func TestBalanceTold(t *testing.T) {
	var s story
	_, ok := s.balance(&rigwardenv1.EventLine{Line: `record kind="note" text="imbalance"`})
	require.False(t, ok)
	b, ok := s.balance(&rigwardenv1.EventLine{AtUs: 7, Line: "computed at=7 epoch=3 spans_us=0,3600000000,60000000 imbalance_ppm=9000 uncertainty_ppm=400 " +
		"left_nC=1836000000000 cells_left_nC=0,1800000000000,36000000000 need_us=4200000000 excess_nC=0,1296000000000,360000000000 doubts_nC=0,57600000000,-1 spread_uV=139000 telling=1"})
	require.True(t, ok)
	assert.Equal(t, "imbalance 0.90 +/- 0.04 % of the capacity, 0.510 Ah left to bleed, 1:10:00; 139 mV apart at rest", b.sum())
	assert.Equal(t, []string{"cell: charge over the least one, mAh (still to bleed)", "#1 0+/-0 (0)          #2 360+/-16 (500)     #3 <100 (10)"}, b.lines())
	text, err := json.Marshal(s.Balance)
	require.NoError(t, err)
	assert.JSONEq(t, `{"at_us":7,"imbalance_ppm":9000,"uncertainty_ppm":400,"left_nc":1836000000000,"need_us":4200000000,
		"spread_uv":139000,"spread_telling":true,"cells":[
		{"cell":1,"excess_nc":0,"uncertainty_nc":0,"left_nc":0},
		{"cell":2,"excess_nc":1296000000000,"uncertainty_nc":57600000000,"left_nc":1800000000000},
		{"cell":3,"excess_nc":360000000000,"uncertainty_nc":null,"left_nc":36000000000}]}`, string(text))
	b, _ = s.balance(&rigwardenv1.EventLine{Line: "computed imbalance_ppm=3001 uncertainty_ppm=1000000"})
	assert.Equal(t, "imbalance at least 0.30 % of the capacity, nothing left to bleed; 0 mV apart at rest, which says little here", b.sum())
}

// While a bench balances, its status tells what is left.
func TestStatusTellsOfBalance(t *testing.T) {
	ppm := int64(9000)
	st := &rigwardenv1.BenchStatus{Kind: "balance", ImbalancePpm: &ppm, Balance: &rigwardenv1.Balance{UncertaintyPpm: 400, LeftNc: 1836000000000, NeedUs: 4200000000}}
	assert.Contains(t, statusBlock(st), "imbalance 0.90 +/- 0.04 %, 0.510 Ah left to bleed, 1:10:00")
	st.Kind = "discharge"
	assert.NotContains(t, statusBlock(st), "imbalance 0.90 +/- 0.04 %, 0.510 Ah left to bleed, 1:10:00")
}
