package main

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

func TestTruthLog(t *testing.T) {
	l := &truthLog{}
	fmt.Fprintln(l, "1000 flowing current=5 supply=5 load=0")
	fmt.Fprintln(l, "1500 fault cell-overheats")
	_, ok := l.zeroAfter(2000)
	require.False(t, ok, "it still flows")
	fmt.Fprintln(l, "2300 zero current=0 supply=0 load=0")
	fmt.Fprintln(l, "9000 flowing current=5 supply=5 load=0")
	for at, want := range map[drivers.Instant]drivers.Span{2000: 300, 2300: 0, 3000: 0} {
		got, ok := l.zeroAfter(at)
		require.True(t, ok)
		require.Equal(t, want, got, "after %d", at)
	}
	fmt.Fprintln(l, "nonsense")
	_, ok = l.zeroAfter(9500)
	require.False(t, ok)
}
