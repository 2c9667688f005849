package rehearse

import "github.com/rigwarden/rigwarden/profiles"

// Quick makes the twin of the shipped practice module: most of a minute that
// visits each state of the machine.
func Quick() (*Twin, error) {
	m, err := profiles.LibraryModule("QK-01")
	if err != nil {
		return nil, err
	}
	b, err := profiles.LibraryBench("practice")
	if err != nil {
		return nil, err
	}
	p, err := profiles.LibraryProfile("quick")
	if err != nil {
		return nil, err
	}
	return Parse(File{"QK-01.yaml", m}, File{"quick.yaml", p}, File{"practice.yaml", b})
}

// File is a file's name and text.
type File struct {
	Name string
	Text []byte
}

// Parse reads the three files and makes their twin.
func Parse(module, profile, bench File) (*Twin, error) {
	m, problems := profiles.ParseModule(module.Name, module.Text)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	p, problems := profiles.ParseProfile(profile.Name, profile.Text)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	b, problems := profiles.ParseBench(bench.Name, bench.Text)
	if err := profiles.Error(problems); err != nil {
		return nil, err
	}
	return NewTwin(m, p, b)
}
