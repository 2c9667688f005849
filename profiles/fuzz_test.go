package profiles

import (
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// seeds adds the shipped files and the bad ones.
func seeds(f *testing.F) {
	err := fs.WalkDir(Library(), ".", func(path string, d fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".yaml") {
			src, err := fs.ReadFile(Library(), path)
			if err != nil {
				return err
			}
			f.Add(src)
		}
		return err
	})
	if err != nil {
		f.Fatal(err)
	}
	bad, err := filepath.Glob(filepath.Join(testdata, "bad", "*.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range bad {
		src, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
}

// fuzz holds a parser to its word: never a panic, a result or problems and
// never both, each problem with a place and an advice, the same every time.
func fuzz[T any](f *testing.F, parse func(string, []byte) (*T, []Problem), then func(*testing.T, *T)) {
	seeds(f)
	f.Fuzz(func(t *testing.T, src []byte) {
		got, problems := parse("f.yaml", src)
		if (got == nil) != (len(problems) > 0) {
			t.Fatalf("result %v with problems %v", got, problems)
		}
		lines := strings.Count(string(src), "\n") + strings.Count(string(src), "\r") + 2
		for _, p := range problems {
			if p.What == "" || p.Right == "" || p.File != "f.yaml" || p.Line < 0 || p.Line > lines {
				t.Fatalf("%+v in %d lines", p, lines)
			}
		}
		again, problems2 := parse("f.yaml", src)
		if !reflect.DeepEqual(got, again) || !reflect.DeepEqual(problems, problems2) {
			t.Fatal("a second reading differs")
		}
		if got != nil {
			then(t, got)
		}
	})
}

func FuzzModule(f *testing.F) {
	p, b := shippedProfile(f, "qualify"), shippedBench(f)
	fuzz(f, ParseModule, func(t *testing.T, m *Module) { compileAny(t, p, m, b) })
}

func FuzzBench(f *testing.F) {
	p, m := shippedProfile(f, "qualify"), shippedModule(f)
	fuzz(f, ParseBench, func(t *testing.T, b *Bench) { compileAny(t, p, m, b) })
}

func FuzzProfile(f *testing.F) {
	m, b := shippedModule(f), shippedBench(f)
	fuzz(f, ParseProfile, func(t *testing.T, p *Profile) { compileAny(t, p, m, b) })
}

func FuzzCriteria(f *testing.F) {
	fuzz(f, ParseCriteria, func(t *testing.T, c *Criteria) {
		if len(c.Require) == 0 || c.Agreed.By == "" || c.Agreed.On.IsZero() {
			t.Fatalf("criteria without substance: %+v", c)
		}
	})
}

// A hostile file is refused by its size or shape before anything slow sees it.
func TestHostileFiles(t *testing.T) {
	for want, src := range map[string]string{
		"nests deeper":       "a: 1\n" + strings.Repeat("- ", 400),
		"nests deeper than":  "a:\n" + strings.Repeat("  [\n", 200),
		"more than 1000":     strings.Repeat("a: ", 400),
		"more than 32768":    strings.Repeat("# comment\n", 4000),
		"is not UTF-8":       "a: \xff\n",
		"anchor (&)":         "profile: &a x\n",
		"the file is empty":  "# nothing\n",
		"second document":    "profile: x\n---\nprofile: y\n",
		"not valid YAML":     "profile: [x\n",
		"directives are not": "%YAML 1.2\n---\nprofile: x\n",
	} {
		_, problems := ParseProfile("hostile.yaml", []byte(src))
		if len(problems) == 0 || !strings.Contains(Error(problems).Error(), want) {
			t.Errorf("expected %q, got %v", want, problems)
		}
	}
}

// compileAny: whatever was accepted compiles to a plan that the machine takes
// and whose contactors stand right on every way, or is refused.
func compileAny(t *testing.T, p *Profile, m *Module, b *Bench) {
	plan, problems := Compile(p, m, b)
	if (plan == nil) != (len(problems) > 0) {
		t.Fatalf("plan %v with problems %v", plan, problems)
	}
	if plan == nil {
		return
	}
	if err := plan.Check(); err != nil {
		t.Fatal(err)
	}
	if err := contactorFlow(plan); err != nil {
		t.Fatalf("%v\n%s", err, Listing(plan))
	}
	if plan.Limits.CellMax+plan.Absolute.AllowanceCell > plan.Absolute.CellMax {
		t.Fatal("INV-12: the allowance leaves the maker's limit")
	}
}
