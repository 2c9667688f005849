package tree

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Bounds of a file, so that a hostile one can exhaust neither memory nor stack
// nor patience: the YAML parser takes the square of some lengths.
const (
	maxFile  = 32 << 10
	maxLine  = 1000
	maxDepth = 24
)

// Kind is what stands at a place of a file.
type Kind int

// Kinds of nodes.
const (
	Scalar Kind = iota
	Map
	List
	Bad // already reported; whoever meets it says nothing more
)

// Node is what is left of a YAML tree once everything that could surprise has
// been refused: scalars as written, maps in order, lists, each with its place.
type Node struct {
	Kind  Kind
	At    Pos
	Text  string // scalars: as written, not as YAML would resolve it
	Keys  []Entry
	Items []*Node
}

// Entry is one key of a map.
type Entry struct {
	Key   string
	At    Pos
	Value *Node
}

func (k Kind) String() string {
	return [...]string{"a single value", "a list of keys", "a list", "nothing usable"}[k]
}

// Tree reads one document. The result is nil when nothing of it can be
// used; problems say why.
func (r *Report) Tree(name string, src []byte) (root *Node) {
	whole := Pos{File: name}
	switch {
	case len(src) > maxFile:
		r.Addf(whole, "such a file has a few kB", "the file has %d bytes, more than %d", len(src), maxFile)
		return nil
	case !utf8.Valid(src):
		r.Add(whole, "the file is not UTF-8 text", "save it as UTF-8")
		return nil
	case longLine(string(src)) > 0:
		r.Addf(Pos{name, longLine(string(src)), 1}, "break the line", "a line has more than %d characters", maxLine)
		return nil
	case deep(string(src)):
		r.Addf(whole, "these files need four or five levels", "the file nests deeper than %d levels", maxDepth)
		return nil
	}
	// The parser is the one place that meets arbitrary text first: a panic in
	// it must become a refusal, not the end of the process.
	defer func() {
		if p := recover(); p != nil {
			r.Add(whole, "the file cannot be read as YAML", "compare it with a shipped file")
			root = nil
		}
	}()
	file, err := parser.ParseBytes(src, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		r.syntax(name, err)
		return nil
	}
	return r.document(name, file)
}

func (r *Report) syntax(name string, err error) {
	at, what := Pos{File: name}, err.Error()
	var syntax *yaml.SyntaxError
	if errors.As(err, &syntax) {
		what = syntax.Message
		if syntax.Token != nil {
			at = place(name, syntax.Token)
		}
	}
	r.Add(at, "not valid YAML: "+what, "write one `key: value` a line, indented by two spaces")
}

func (r *Report) document(name string, file *ast.File) *Node {
	var root *Node
	for _, doc := range file.Docs {
		switch body := doc.Body.(type) {
		case nil:
		case *ast.DirectiveNode:
			r.Add(place(name, body.GetToken()), "YAML directives are not used here", "leave the line out")
		default:
			if root != nil {
				r.Add(place(name, first(body)), "a second document begins here", "put each document in a file of its own")
				return root
			}
			root = r.convert(name, body, 0)
		}
	}
	if root == nil && len(r.Problems) == 0 {
		r.Add(Pos{File: name}, "the file is empty", "compare it with a shipped file")
	}
	return root
}

func place(name string, t *token.Token) Pos {
	if t == nil || t.Position == nil {
		return Pos{File: name}
	}
	return Pos{File: name, Line: t.Position.Line, Col: max(t.Position.Column, 1)}
}

// first is the token a reader would point at: a map's first key, not its colon.
func first(n ast.Node) *token.Token {
	switch n := n.(type) {
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return first(n.Values[0])
		}
	case *ast.MappingValueNode:
		return n.Key.GetToken()
	}
	return n.GetToken()
}

// convert copies a tree and refuses what could surprise.
func (r *Report) convert(name string, n ast.Node, depth int) *Node {
	out := &Node{At: place(name, first(n))}
	refuse := func(what, right string) *Node {
		r.Add(out.At, what, right)
		out.Kind = Bad
		return out
	}
	if depth > maxDepth {
		return refuse("nested too deep", "these files need four or five levels")
	}
	switch n := n.(type) {
	case *ast.MappingNode:
		out.Kind = Map
		for _, v := range n.Values {
			r.convertEntry(name, out, v, depth)
		}
	case *ast.MappingValueNode:
		out.Kind = Map
		r.convertEntry(name, out, n, depth)
	case *ast.SequenceNode:
		out.Kind = List
		for _, v := range n.Values {
			out.Items = append(out.Items, r.convert(name, v, depth+1))
		}
	case *ast.LiteralNode:
		out.Text = strings.TrimSpace(n.Value.Value)
	case *ast.StringNode:
		out.Text = n.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		out.Text = n.GetToken().Value
	case *ast.NullNode:
		return refuse("nothing stands here", "give a value, or leave the key out")
	case *ast.AnchorNode:
		return refuse("an anchor (&) stands here", "write the value out where it is used")
	case *ast.AliasNode:
		return refuse("an alias (*) stands here", "write the value out")
	case *ast.TagNode:
		return refuse("a tag (!) stands here", "write the plain value")
	default:
		return refuse(fmt.Sprintf("%s is not used in these files", strings.ToLower(n.Type().String())), "write plain keys and values")
	}
	return out
}

func (r *Report) convertEntry(name string, into *Node, v *ast.MappingValueNode, depth int) {
	at := place(name, v.Key.GetToken())
	if v.Key.IsMergeKey() {
		r.Add(at, "a merge key (<<) stands here", "write the keys out")
		return
	}
	key, ok := v.Key.(ast.ScalarNode)
	if !ok {
		r.Add(at, "a key is a single word here", "write `key: value`")
		return
	}
	text := key.GetToken().Value
	for _, e := range into.Keys {
		if e.Key == text {
			r.Addf(at, "keep one of the two", "key %q was given before, on line %d", text, e.At.Line)
			r.convert(name, v.Value, depth+1) // for the mistakes inside
			return
		}
	}
	before := len(r.Problems)
	value := r.convert(name, v.Value, depth+1)
	if value.Kind == Map || value.Kind == List && !flow(v.Value) {
		value.At = at // a reader looks for a section by its name
	}
	if value.Kind == Bad && len(r.Problems) == before+1 {
		r.Problems[before].What = fmt.Sprintf("%s: %s", text, r.Problems[before].What)
	}
	into.Keys = append(into.Keys, Entry{text, at, value})
}

// longLine returns the number of the first line that is too long, or 0.
func longLine(src string) int {
	n := 0
	for line := range strings.Lines(src) {
		if n++; len(line) > maxLine {
			return n
		}
	}
	return 0
}

func flow(n ast.Node) bool {
	s, ok := n.(*ast.SequenceNode)
	return ok && s.IsFlowStyle
}

// deep says whether the text could nest deeper than the parser's recursion is
// trusted with: by brackets, by leading dashes, or by indentation.
func deep(src string) bool {
	open := 0
	for line := range strings.Lines(src) {
		indent := len(line) - len(strings.TrimLeft(line, " "))
		dashes := 0
		for _, f := range strings.Fields(line) {
			if f != "-" && f != "?" && f != ":" {
				break
			}
			dashes++
		}
		open += strings.Count(line, "[") + strings.Count(line, "{")
		open = max(0, open-strings.Count(line, "]")-strings.Count(line, "}"))
		if indent > 8*maxDepth || dashes > maxDepth || open > 4*maxDepth {
			return true
		}
		if strings.Count(line, "[")+strings.Count(line, "{") > 4*maxDepth {
			return true
		}
	}
	return false
}
