package main

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
)

// The shell offers what is shipped, wherever a flag or an argument names it.
func TestCompletes(t *testing.T) {
	for _, c := range []struct {
		words []string
		want  string
	}{
		{[]string{"serve", "--bench", ""}, "practice-wires\n"},
		{[]string{"bench", "check", ""}, "quay-1\n"},
		{[]string{"run", "start", "--profile", ""}, "qualify\n"},
		{[]string{"run", "start", "--criteria", ""}, "kw-acceptance\n"},
		{[]string{"module", "add", ""}, "QK-01\n"},
		{[]string{"demo", "--inject", "tap"}, "tap-open\ta cell's tap gives no reading\n"},
		{[]string{"virtual", "serve", "--inject", "tap"}, "tap-open\ta cell's tap gives no reading\n"},
		{[]string{"profile", "list", "--kind", ""}, "criteria\n"},
	} {
		a := newApp(rigTime)
		var out bytes.Buffer
		a.out, a.err = &out, &bytes.Buffer{}
		assert.Zero(t, a.main(append([]string{"__complete"}, c.words...)), c.words)
		assert.Contains(t, out.String(), c.want, c.words)
	}
}
