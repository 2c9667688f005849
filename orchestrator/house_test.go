package orchestrator_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const module = "github.com/rigwarden/rigwarden/"

// listed is what `go list` says of a package.
type listed struct {
	ImportPath   string
	Imports      []string
	TestImports  []string
	XTestImports []string
	Deps         []string
}

func packages(t *testing.T) map[string]listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,TestImports,XTestImports,Deps", "./...")
	cmd.Dir = ".."
	out, err := cmd.Output()
	require.NoError(t, err)
	all := map[string]listed{}
	dec := json.NewDecoder(strings.NewReader(string(out)))
	for {
		var p listed
		err := dec.Decode(&p)
		if errors.Is(err, io.EOF) {
			return all
		}
		require.NoError(t, err)
		all[strings.TrimPrefix(p.ImportPath, module)] = p
	}
}

// TestWalls holds the walls that DEVELOPERS.md draws between packages.
func TestWalls(t *testing.T) {
	all := packages(t)

	t.Run("machine and guard are pure", func(t *testing.T) {
		// No I/O, clock, logger or randomness; only what computes.
		pure := []string{"cmp", "errors", "fmt", "math", "math/bits", "slices", "sort", "strconv", "strings",
			module + "drivers", module + "orchestrator/guard"}
		for _, name := range []string{"orchestrator/machine", "orchestrator/guard"} {
			for _, i := range all[name].Imports {
				require.Contains(t, pure, i, "%s imports it", name)
			}
		}
		for _, i := range all["drivers"].Imports {
			require.Contains(t, append(pure, "context"), i, "drivers imports it")
		}
	})

	t.Run("pack is pure", func(t *testing.T) {
		// It draws, but from a seed; no clock, file, store or wire.
		pure := []string{"cmp", "errors", "fmt", "maps", "math", "math/rand/v2", "slices", module + "orchestrator/qualify/gum"}
		require.NotEmpty(t, all["orchestrator/pack"].Imports)
		for _, i := range all["orchestrator/pack"].Imports {
			require.Contains(t, pure, i, "orchestrator/pack imports it")
		}
	})

	t.Run("the physics stay outside", func(t *testing.T) {
		// A rehearsal and a study are judged by the truth of the plant, which no
		// product code may see; so they alone reach it, and only the command
		// starts them.
		judges := []string{"orchestrator/rehearse", "orchestrator/study"}
		physics := []string{module + "drivers/plant", module + "drivers/virtual", module + "drivers/virtual/wire"}
		seen := 0
		for name, p := range all {
			if name == "orchestrator" || strings.HasPrefix(name, "orchestrator/") && !slices.Contains(judges, name) {
				seen++
				for _, d := range p.Deps {
					require.NotContains(t, physics, d, "%s reaches it", name)
				}
			}
			if name != "cmd/rigwarden" && !slices.Contains(judges, name) {
				imports := slices.Concat(p.Imports, p.TestImports, p.XTestImports)
				for _, j := range judges {
					require.NotContains(t, imports, module+j, "%s imports it", name)
				}
			}
		}
		require.GreaterOrEqual(t, seen, 8, "packages of the orchestrator")
		for _, j := range judges {
			require.Subset(t, all[j].Imports, physics[:2], "%s judges by the truth", j)
			require.Contains(t, all["cmd/rigwarden"].Imports, module+j)
		}
		for _, d := range all["drivers/host"].Deps {
			require.False(t, strings.HasPrefix(d, module+"orchestrator"), "drivers/host reaches %s", d)
		}
	})

	t.Run("one owner per library", func(t *testing.T) {
		owners := map[string][]string{
			"go.etcd.io/bbolt":                {"orchestrator/store"},
			"google.golang.org/grpc":          {"orchestrator/service", "drivers/host", "cmd/rigwarden", "proto/"},
			"google.golang.org/protobuf":      {"orchestrator/service", "drivers/host", "cmd/rigwarden", "proto/"},
			"github.com/klauspost/compress":   {"orchestrator/block", "orchestrator/store"},
			"github.com/goccy/go-yaml":        {"profiles/tree"},
			"github.com/spf13/cobra":          {"cmd/rigwarden"},
			"github.com/cenkalti/backoff":     {"orchestrator/notice"},
			"go.einride.tech/can":             {"drivers/canbus"},
			"go.bug.st/serial":                {"drivers/modbus", "drivers/scpi"},
			"golang.org/x/sys":                {"drivers/canbus", "drivers/virtual/wire"},
			"golang.org/x/term":               {"cmd/rigwarden"},
			"gonum.org/v1/gonum":              {"orchestrator/qualify", "orchestrator/qualify/"},
			"github.com/creack/pty":           nil,
			"github.com/simonvetter/modbus":   nil,
			"github.com/stretchr/testify":     nil,
			"pgregory.net/rapid":              nil,
			"go.uber.org/goleak":              nil,
			"github.com/rogpeppe/go-internal": nil,
		}
		for name, p := range all {
			for _, i := range p.Imports {
				for lib, who := range owners {
					if i != lib && !strings.HasPrefix(i, lib+"/") {
						continue
					}
					owned := slices.ContainsFunc(who, func(o string) bool { return name == o || strings.HasSuffix(o, "/") && strings.HasPrefix(name, o) })
					require.True(t, owned, "%s imports %s; only %v may", name, i, who)
				}
			}
		}
	})
}

// sources calls fn for every Go file that people wrote.
func sources(t *testing.T, fn func(path string, file *ast.File, set *token.FileSet)) {
	t.Helper()
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != ".." && strings.HasPrefix(d.Name(), ".") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, ".pb.go") {
			return nil
		}
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, path, nil, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		fn(filepath.ToSlash(strings.TrimPrefix(path, "../")), f, set)
		return nil
	})
	require.NoError(t, err)
}

// TestTidy holds what a reader relies on: files about one thing, functions that
// fit a screen, packages that introduce themselves, integers where it matters.
func TestTidy(t *testing.T) {
	documented := map[string]bool{}
	var wrong []string
	complain := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	sources(t, func(path string, f *ast.File, set *token.FileSet) {
		dir := filepath.Dir(path)
		documented[dir] = documented[dir] || f.Doc != nil
		test := strings.HasSuffix(path, "_test.go")
		if n := set.File(f.Pos()).LineCount(); n > 400 && !test {
			complain("%s has %d lines; at most 400", path, n)
		}
		exact := (strings.HasPrefix(path, "orchestrator/machine/") || strings.HasPrefix(path, "orchestrator/guard/")) && !test
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				if lines := set.Position(n.End()).Line - set.Position(n.Pos()).Line + 1; lines > 70 && !test {
					complain("%s: %s has %d lines; at most 70", path, n.Name.Name, lines)
				}
			case *ast.Ident:
				if exact && (n.Name == "float64" || n.Name == "float32") {
					complain("%s: floating point", set.Position(n.Pos()))
				}
			case *ast.BasicLit:
				if exact && n.Kind == token.FLOAT {
					complain("%s: floating point", set.Position(n.Pos()))
				}
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && test && x.Name == "time" && n.Sel.Name == "Sleep" {
					complain("%s: a test sleeps; wait for a condition, or use testing/synctest", set.Position(n.Pos()))
				}
			}
			return true
		})
	})
	for dir, ok := range documented {
		if !ok {
			complain("%s has no package comment", dir)
		}
	}
	slices.Sort(wrong)
	require.Empty(t, strings.Join(wrong, "\n"))
}

// TestInvariantsCited demands that each safety invariant has a test that names
// it.
func TestInvariantsCited(t *testing.T) {
	cited := map[string]bool{}
	number := regexp.MustCompile(`INV[-_]?(\d\d)`)
	err := filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		src, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for _, m := range number.FindAllStringSubmatch(string(src), -1) {
			cited[m[1]] = true
		}
		return nil
	})
	require.NoError(t, err)
	for i := 1; i <= 16; i++ {
		require.True(t, cited[fmt.Sprintf("%02d", i)], "no test cites INV-%02d", i)
	}
}
