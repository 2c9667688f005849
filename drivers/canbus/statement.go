package canbus

import (
	"slices"
	"strings"
	"unicode/utf8"
)

// statement is one statement of a DBC file, with the lines it stands on.
type statement struct {
	keyword string
	line    int // of its first line, from 1
	text    string
}

// dbcKeywords begin a statement when they stand first on a line.
var dbcKeywords = []string{
	"VERSION", "NS_", "BS_", "BU_", "BO_", "SG_", "EV_", "CM_", "BA_DEF_", "BA_DEF_DEF_", "BA_", "VAL_", "VAL_TABLE_",
	"SIG_VALTYPE_", "SIG_TYPE_REF_", "SIG_GROUP_", "SGTYPE_", "SGTYPE_VAL_", "SIGTYPE_VALTYPE_", "BO_TX_BU_",
	"ENVVAR_DATA_", "EV_DATA_", "BA_DEF_REL_", "BA_REL_", "BA_DEF_DEF_REL_", "BU_SG_REL_", "BU_EV_REL_", "BU_BO_REL_",
	"SG_MUL_VAL_", "BA_DEF_SGTYPE_", "BA_SGTYPE_", "CAT_DEF_", "CAT_", "FILTER",
}

// statements parts a DBC file, so that each statement can be parsed alone:
// every mistake is found, not only the first, and a statement that the library
// does not know cannot swallow the one after it (it skips by pairs of tokens,
// and with the line's end also the next line). open is the line on which a
// string begins that never ends, else 0.
func statements(src string) (list []statement, open int) {
	inside := false // a string
	n, begin, at := 0, 0, 0
	for line := range strings.Lines(src) {
		n++
		at += len(line)
		word := firstWord(line)
		begins := !inside && slices.Contains(dbcKeywords, word)
		if begins && len(list) > 0 && list[len(list)-1].keyword == "NS_" {
			// The names that NS_ lists stand alone on their lines.
			begins = strings.TrimSpace(line) != word
		}
		if begins || len(list) == 0 {
			begin = at - len(line)
			list = append(list, statement{keyword: word, line: n})
		}
		list[len(list)-1].text = src[begin:at]
		for i := 0; i < len(line); i++ {
			if line[i] == '"' && !(inside && i > 0 && line[i-1] == '\\') {
				inside = !inside
				open = n
			}
		}
	}
	if !inside {
		open = 0
	}
	return list, open
}

// firstWord returns the letters, digits and underscores that a line begins
// with, after blanks.
func firstWord(line string) string {
	line = strings.TrimLeft(line, " \t")
	end := strings.IndexFunc(line, func(r rune) bool {
		return r != '_' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z')
	})
	if end < 0 {
		return line
	}
	return line[:end]
}

// dbcText returns a DBC file's text as UTF-8. Many are written in an older
// 8-bit coding, where it shows in units and comments only; such bytes are read
// as ISO 8859-1.
func dbcText(src []byte) string {
	s := strings.TrimPrefix(string(src), "\ufeff")
	if utf8.ValidString(s) {
		return s
	}
	var b strings.Builder
	for i := range len(s) {
		b.WriteRune(rune(s[i]))
	}
	return b.String()
}
