package wire

import (
	"strconv"
	"strings"
)

// command is one node of an instrument's command tree with what it does. A nil
// set or query means that the header has no such form.
type command struct {
	// header is written as manuals do: upper case letters are the short form,
	// brackets enclose what may be left out, such as
	// [SOURce]:VOLTage[:LEVel].
	header string
	set    func(*call) *scpiError
	query  func(*call) (string, *scpiError)
}

// node is one mnemonic of a header.
type node struct {
	long, short string // upper case
	optional    bool
}

// entry is a command with its header taken apart.
type entry struct {
	command
	nodes []node
}

// commands is an instrument's tree.
type commands []entry

func newTree(list []command) commands {
	t := make(commands, len(list))
	for i, c := range list {
		t[i] = entry{c, nodes(c.header)}
	}
	return t
}

// nodes takes a header's notation apart.
func nodes(header string) []node {
	var list []node
	optional := false
	for _, part := range strings.FieldsFunc(strings.NewReplacer("[", " [", "]", "] ", ":", " ").Replace(header), func(r rune) bool { return r == ' ' }) {
		optional = strings.HasPrefix(part, "[") || optional
		name := strings.Trim(part, "[]")
		if name != "" {
			short := strings.Map(func(r rune) rune {
				if r >= 'a' && r <= 'z' {
					return -1
				}
				return r
			}, name)
			list = append(list, node{strings.ToUpper(name), short, optional})
		}
		if strings.HasSuffix(part, "]") {
			optional = false
		}
	}
	return list
}

// match says whether a path of upper case mnemonics is this entry's header:
// each mnemonic in its long or short form and nothing between (SCPI-1999 vol. 1,
// 6.2.1), those in brackets there or not.
func (e *entry) match(path []string) bool { return matchNodes(e.nodes, path) }

func matchNodes(nodes []node, path []string) bool {
	for len(nodes) > 0 {
		n := nodes[0]
		if len(path) > 0 && (path[0] == n.long || path[0] == n.short) && matchNodes(nodes[1:], path[1:]) {
			return true
		}
		if !n.optional {
			return false
		}
		nodes = nodes[1:]
	}
	return len(path) == 0
}

// find returns the command that a path names.
func (t commands) find(path []string) (*entry, *scpiError) {
	plain, err := unsuffixed(path)
	for i := range t {
		if t[i].match(plain) {
			if err != nil {
				return nil, err
			}
			return &t[i], nil
		}
	}
	return nil, fault(-113)
}

// unsuffixed takes the numeric suffix 1 off mnemonics: it is the default (SCPI-1999
// vol. 1, 6.2.5.2), and these instruments have one channel each.
func unsuffixed(path []string) ([]string, *scpiError) {
	var err *scpiError
	plain := make([]string, len(path))
	for i, m := range path {
		name := strings.TrimRight(m, "0123456789")
		if n, bad := strconv.Atoi(m[len(name):]); len(name) < len(m) && (bad != nil || n != 1) {
			err = fault(-114)
		}
		plain[i] = name
	}
	return plain, err
}

// walker follows the path through one program message (SCPI-1999 vol. 1, 6.2.4):
// a header is looked for beside the last one, a colon begins at the root, common
// commands leave the path as it is.
type walker struct{ path []string }

// resolve returns the full path of a unit's header and moves on.
func (w *walker) resolve(u *unit) []string {
	parts := strings.Split(strings.ToUpper(u.header), ":")
	if u.absolute {
		w.path = nil
	}
	full := append(append([]string(nil), w.path...), parts...)
	w.path = full[:len(full)-1]
	return full
}
