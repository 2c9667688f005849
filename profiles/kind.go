package profiles

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Kind is a kind of file that users write. Its name is also the key that such a
// file begins with.
type Kind string

// The kinds of files.
const (
	KindProfile  Kind = "profile"
	KindModule   Kind = "module"
	KindBench    Kind = "bench"
	KindCriteria Kind = "criteria"
)

// Kinds lists every kind, in the order in which the library is listed.
var Kinds = []Kind{KindProfile, KindModule, KindBench, KindCriteria}

// mapKinds are the files that tell a driver how an instrument speaks, by the key
// that they begin with.
var mapKinds = map[string]string{"dialect": "dialect", "dbc": "signal map", "map": "register map"}

// open reads a file's tree and opens its keys. Where the first key tells that
// another kind of file was given, that is the only problem: a list of its keys,
// none of which belong here, would hide the one thing to put right.
func (k Kind) open(r *tree.Report, name string, src []byte) *tree.Fields {
	root := r.Tree(name, src)
	if root == nil {
		return nil
	}
	if other := k.other(root); other != "" {
		r.Problems = nil
		r.Addf(root.Keys[0].At, fmt.Sprintf("give a %s file, which begins with `%s:`", k, k), "this is a %s file", other)
		return nil
	}
	return r.Fields(root, fmt.Sprintf("the %s file", k))
}

// other names the kind that a file's first key tells, where it is not k and no
// later key says k after all.
func (k Kind) other(root *tree.Node) string {
	if root.Kind != tree.Map || len(root.Keys) == 0 || slices.ContainsFunc(root.Keys, func(e tree.Entry) bool { return e.Key == string(k) }) {
		return ""
	}
	first := root.Keys[0].Key
	if slices.Contains(Kinds, Kind(first)) {
		return first
	}
	return mapKinds[first]
}
