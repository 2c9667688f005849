package profiles

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
)

//go:embed library
var shipped embed.FS

// Library is the shipped library: profiles at the top, modules, benches and
// criteria in folders of these names.
func Library() fs.FS {
	sub, err := fs.Sub(shipped, "library")
	if err != nil {
		panic(err) // the folder is embedded above
	}
	return sub
}

// Names lists the shipped files of a kind, sorted: what completion offers and
// what a name that is not there is compared with.
func Names(k Kind) []string { return names(folders[k]) }

// folders is where the library keeps each kind.
var folders = map[Kind]string{KindProfile: "", KindModule: "modules", KindBench: "benches", KindCriteria: "criteria"}

// LibraryProfile returns the text of a shipped profile by its name.
func LibraryProfile(name string) ([]byte, error) { return read(KindProfile, name) }

// LibraryModule returns the text of a shipped module by its serial.
func LibraryModule(serial string) ([]byte, error) { return read(KindModule, serial) }

// LibraryBench returns the text of a shipped bench by its name.
func LibraryBench(name string) ([]byte, error) { return read(KindBench, name) }

// LibraryCriteria returns the text of shipped criteria by their name.
func LibraryCriteria(name string) ([]byte, error) { return read(KindCriteria, name) }

func read(k Kind, name string) ([]byte, error) {
	src, err := fs.ReadFile(Library(), path.Join(folders[k], name+".yaml"))
	if err != nil {
		return nil, &unknownName{k, name, err}
	}
	return src, nil
}

// unknownName says which names there are, and not where the library looked.
type unknownName struct {
	kind Kind
	name string
	err  error
}

func (u *unknownName) Error() string {
	return fmt.Sprintf("no shipped %s %q; there are %s", u.kind, u.name, strings.Join(Names(u.kind), ", "))
}

func (u *unknownName) Unwrap() error { return u.err }

// names lists what a folder of the library holds, without ".yaml".
func names(folder string) []string {
	entries, _ := fs.ReadDir(Library(), path.Join(".", folder))
	var out []string
	for _, e := range entries {
		if base, ok := strings.CutSuffix(e.Name(), ".yaml"); ok && !e.IsDir() {
			out = append(out, base)
		}
	}
	slices.Sort(out)
	return out
}
