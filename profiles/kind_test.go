package profiles

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every kind of file in the place of every other is told by one problem, at its
// first key; in its own place it is read.
func TestWrongKindIsOneProblem(t *testing.T) {
	texts := map[Kind][]byte{
		KindProfile: shippedText(t, LibraryProfile, "quick"), KindModule: shippedText(t, LibraryModule, "QK-01"),
		KindBench: shippedText(t, LibraryBench, "practice-wires"), KindCriteria: shippedText(t, LibraryCriteria, "quick"),
	}
	parse := map[Kind]func(string, []byte) []Problem{
		KindProfile:  func(n string, src []byte) []Problem { _, ps := ParseProfile(n, src); return ps },
		KindModule:   func(n string, src []byte) []Problem { _, ps := ParseModule(n, src); return ps },
		KindBench:    func(n string, src []byte) []Problem { _, ps := ParseBench(n, src); return ps },
		KindCriteria: func(n string, src []byte) []Problem { _, ps := ParseCriteria(n, src); return ps },
	}
	for _, as := range Kinds {
		for _, is := range Kinds {
			problems := parse[as]("x.yaml", texts[is])
			if as == is {
				assert.Empty(t, problems)
				continue
			}
			if assert.Len(t, problems, 1, "%s as %s", is, as) {
				assert.Equal(t, "this is a "+string(is)+" file", problems[0].What)
				assert.Equal(t, "give a "+string(as)+" file, which begins with `"+string(as)+":`", problems[0].Right)
			}
		}
	}
}

// A key of another kind that has strayed into a file does not make it one, and
// what YAML itself refuses is not told twice.
func TestStrayKeyIsNoOtherKind(t *testing.T) {
	_, problems := ParseProfile("x.yaml", []byte("module: KW-01\nprofile: x\nsteps:\n  - rest: 10 min\n"))
	require.Len(t, problems, 1)
	assert.Contains(t, problems[0].String(), `x.yaml:1:1: the profile file has no key "module"`)

	_, problems = ParseBench("x.yaml", []byte("module: KW-01\nseries: &a 24\n"))
	require.Len(t, problems, 1)
	assert.Equal(t, "this is a module file", problems[0].What)
}

// What completion offers is what can be read.
func TestNamesCanBeRead(t *testing.T) {
	get := map[Kind]func(string) ([]byte, error){
		KindProfile: LibraryProfile, KindModule: LibraryModule, KindBench: LibraryBench, KindCriteria: LibraryCriteria,
	}
	for _, k := range Kinds {
		require.NotEmpty(t, Names(k))
		require.IsIncreasing(t, append(Names(k), "~"))
		for _, name := range Names(k) {
			_, err := get[k](name)
			assert.NoError(t, err)
		}
	}
	assert.Equal(t, []string{"kw-acceptance", "quick", "screen"}, Names(KindCriteria))
}
