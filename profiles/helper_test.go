package profiles

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// shippedModule, shippedBench and profileOf parse what has to be right.
func shippedModule(t testing.TB) *Module {
	t.Helper()
	src, err := LibraryModule("KW-01")
	require.NoError(t, err)
	m, problems := ParseModule("KW-01.yaml", src)
	require.Empty(t, problems)
	return m
}

func shippedBench(t testing.TB) *Bench {
	t.Helper()
	src, err := LibraryBench("quay-1")
	require.NoError(t, err)
	b, problems := ParseBench("quay-1.yaml", src)
	require.Empty(t, problems)
	return b
}

func shippedProfile(t testing.TB, name string) *Profile {
	t.Helper()
	src, err := LibraryProfile(name)
	require.NoError(t, err)
	return profileOf(t, string(src))
}

func profileOf(t testing.TB, src string) *Profile {
	t.Helper()
	p, problems := ParseProfile("profile.yaml", []byte(src))
	require.Empty(t, problems)
	return p
}

// compiled compiles against the shipped module and bench.
func compiled(t testing.TB, src string) *machine.Plan {
	t.Helper()
	plan, problems := Compile(profileOf(t, src), shippedModule(t), shippedBench(t))
	require.Empty(t, problems)
	return plan
}

// only returns the single instruction of an operation.
func only(t testing.TB, plan *machine.Plan, op machine.Op) machine.Instruction {
	t.Helper()
	var found []machine.Instruction
	for _, in := range plan.Code {
		if in.Op == op {
			found = append(found, in)
		}
	}
	require.Len(t, found, 1, "instructions %s in\n%s", op, Listing(plan))
	return found[0]
}
