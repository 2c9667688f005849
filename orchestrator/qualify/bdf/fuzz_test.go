package bdf_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"github.com/rigwarden/rigwarden/orchestrator/qualify/bdf"
)

// Whatever a file holds: no panic, every line is used or counted as bad, and
// no integral is greater than sound rows could make it.
func FuzzRead(f *testing.F) {
	head := "Test Time / s,Voltage / V,Current / A,Step Count / 1\n"
	for _, s := range []string{
		"", head, head + "0,3,1,1\n1,3,1,1\n", head + "0,3e38,1,1\n0,3,1,1\n", head + "5,3,1,1\n1,3,1,1\n2,3,1,2\n",
		head + "0,NaN,1,\n\"0,1\n", "\ufeff" + head + "1,2,3,4\r\n", ramped(0.1),
		"Step Record Index / 1,Test Time / s,Voltage / V,Current / A,Charging Capacity / Ah\n1,0,3,1,5\n1,1,3,1,0\n",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		r, err := bdf.Read("fuzz", strings.NewReader(text))
		if err != nil {
			if r != nil {
				t.Fatal("a report beside an error")
			}
			return
		}
		lines := int64(strings.Count(text, "\n"))
		if r.Rows+r.BadRows > lines+1 {
			t.Fatalf("%d rows and %d bad ones out of %d lines", r.Rows, r.BadRows, lines)
		}
		var rows int64
		for _, s := range r.Steps {
			rows += s.Rows
			if s.Seconds < 0 || math.Abs(s.Charge) > 1e5*s.Seconds/3600*(1+1e-9) || math.Abs(s.Energy) > 1e9*s.Seconds/3600*(1+1e-9) {
				t.Fatalf("step %d: %g Ah and %g Wh in %g s", s.Number, s.Charge, s.Energy, s.Seconds)
			}
		}
		if rows > r.Rows || r.Unlisted == 0 && rows != r.Rows {
			t.Fatalf("%d rows in steps, %d used", rows, r.Rows)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}
