package plant

import (
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every floating-point product in this package stands in an explicit conversion
// or goes on into another product or a quotient, so that no compiler may fuse
// it with a sum ("explicit floating-point type conversion ... preventing
// fusion", the Go specification, Floating-point operators).
func TestEveryProductIsRounded(t *testing.T) {
	fset := token.NewFileSet()
	var files []*ast.File
	names, err := filepath.Glob("*.go")
	require.NoError(t, err)
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(fset, name, nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		files = append(files, f)
	}
	require.NotEmpty(t, files)
	for _, at := range loose(fset, files) {
		t.Errorf("%s: a product without float64(...) around it", at)
	}
}

// The checker itself finds what it is for.
func TestLooseProductsAreFound(t *testing.T) {
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, "x.go", `package x
func f(a, b, c float64, n int) float64 {
	n = n*3 + 1
	ok := float64(a*b) + c
	ok = float64(a*b*c) - (a*b)/c
	bad := a*b + c
	bad -= (a * b)
	bad *= a
	const k = 2 * 3.5
	const s = 3 * time.Second
	return ok + bad + k
}`, parser.SkipObjectResolution)
	require.NoError(t, err)
	var lines []int
	for _, p := range loose(fset, []*ast.File{f}) {
		lines = append(lines, p.Line)
	}
	assert.Equal(t, []int{6, 7, 8}, lines)
}

// loose returns where floating-point products stand free.
func loose(fset *token.FileSet, files []*ast.File) []token.Position {
	info := &types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	// Imported names stay unknown, and what is unknown counts as floating point.
	conf := types.Config{Importer: unknown{}, Error: func(error) {}}
	_, _ = conf.Check("plant", fset, files, info)
	floating := func(e ast.Expr) bool {
		v := info.Types[e]
		if v.Value != nil {
			return false // a constant, computed exactly
		}
		basic, ok := under(v.Type).(*types.Basic)
		return !ok || basic.Info()&types.IsInteger == 0
	}
	var found []token.Position
	for _, f := range files {
		var up []ast.Node
		ast.Inspect(f, func(n ast.Node) bool {
			if n == nil {
				up = up[:len(up)-1]
				return true
			}
			switch e := n.(type) {
			case *ast.GenDecl:
				if e.Tok == token.CONST {
					return false // computed exactly
				}
			case *ast.BinaryExpr:
				if e.Op == token.MUL && floating(e) && !held(up) {
					found = append(found, fset.Position(e.Pos()))
				}
			case *ast.AssignStmt:
				if e.Tok == token.MUL_ASSIGN && floating(e.Lhs[0]) {
					found = append(found, fset.Position(e.Pos()))
				}
			}
			up = append(up, n)
			return true
		})
	}
	return found
}

// held says that the node under the given parents is rounded by them.
func held(up []ast.Node) bool {
	for i := len(up) - 1; i >= 0; i-- {
		switch p := up[i].(type) {
		case *ast.ParenExpr:
			continue
		case *ast.BinaryExpr:
			return p.Op == token.MUL || p.Op == token.QUO
		case *ast.CallExpr:
			name, ok := p.Fun.(*ast.Ident)
			return ok && name.Name == "float64"
		}
		return false
	}
	return false
}

func under(t types.Type) types.Type {
	if t == nil {
		return nil
	}
	return t.Underlying()
}

type unknown struct{}

func (unknown) Import(string) (*types.Package, error) {
	return nil, fs.ErrNotExist
}
