package main

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestTableAlignsByRunesAndSides(t *testing.T) {
	var b bytes.Buffer
	tab := newTable("serial", ">Ah", "note")
	tab.row("KW-01", "39.214", "")
	tab.row("KW-1024", "9.1", "naïve")
	tab.print(&b)
	assert.Equal(t, ""+
		"serial       Ah  note\n"+
		"KW-01    39.214\n"+
		"KW-1024     9.1  naïve\n", b.String())
}

func TestQuantitiesShowUnitAndSign(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{volts(79_412_345), "79.412 V"},
		{amps(-20_000_000), "-20.000 A"},
		{celsius(298_150), "25.0 degC"},
		{celsius(263_150), "-10.0 degC"},
		{ampHours(144_000_000_000_000), "40.000 Ah"},
		{wattHours(3_600_000_000_000), "1000.0 Wh"},
		{clockSpan(86_399_400_000), "23:59:59"},
		{clockSpan(86_399_600_000), "24:00:00"},
		{clockSpan(-61_000_000), "-0:01:01"},
		{shortSpan(820), "820 us"},
		{shortSpan(104_200), "104.2 ms"},
		{shortSpan(60_000_000), "60.0 s"},
		{maybe(nil, volts), "no reading"},
	} {
		assert.Equal(t, c.want, c.got)
	}
}
