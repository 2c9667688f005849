package scpi

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// longestCommand bounds a message of ours; instruments with the least memory
// take some 80 characters (common practice, no source).
const longestCommand = 200

var placeholder = regexp.MustCompile(`\{([^{}]*)\}`)

// checkText says what is wrong with a message before its placeholders are
// looked at: what and what would be right; empty: nothing.
func checkText(s string) (what, right string) {
	switch {
	case strings.TrimSpace(s) == "":
		return "is empty", "write the command as the manual has it"
	case len(s) > longestCommand:
		return fmt.Sprintf("has %d characters, more than %d", len(s), longestCommand), "split it into several commands"
	case strings.TrimSpace(s) != s:
		return "begins or ends with a blank", "leave the blank out"
	}
	for _, r := range s {
		if r == '\n' || r == '\r' {
			return "holds the end of a line", "write one command per item; the end is sent by itself"
		}
		if r < ' ' || r > '~' {
			return fmt.Sprintf("holds %q, which is not a printable ASCII character", r), "write it as the manual has it"
		}
	}
	return "", ""
}

// checkPlaceholders demands that exactly these placeholders stand in s.
func checkPlaceholders(s string, want []string) (what, right string) {
	var got []string
	for _, m := range placeholder.FindAllStringSubmatch(s, -1) {
		got = append(got, m[1])
	}
	known := "none is known here"
	if len(want) > 0 {
		known = "here it is {" + strings.Join(want, "} and {") + "}"
	}
	for _, g := range got {
		if !slices.Contains(want, g) {
			return fmt.Sprintf("has the unknown placeholder {%s}", g), known
		}
	}
	if strings.ContainsAny(placeholder.ReplaceAllString(s, ""), "{}") {
		return "has a brace without its partner", known
	}
	for _, w := range want {
		if n := count(got, w); n != 1 {
			return fmt.Sprintf("holds {%s} %s", w, [...]string{"nowhere", "once", "more than once"}[min(n, 2)]), "write it once, where the number goes"
		}
	}
	return "", ""
}

func count(list []string, s string) (n int) {
	for _, l := range list {
		if l == s {
			n++
		}
	}
	return n
}

// checkCommand says what is wrong with a message that is not answered. A
// question inside it would be answered, and its reply taken for the next one's.
func checkCommand(s string, want ...string) (what, right string) {
	if what, right = checkText(s); what != "" {
		return what, right
	}
	if strings.Contains(s, "?") {
		return "asks something, and nobody would read the reply", "leave the question out, or put it under ask"
	}
	return checkPlaceholders(s, want)
}

// checkQuestion says what is wrong with a message that is answered once: one
// header that ends with a question mark, and perhaps parameters after it.
func checkQuestion(s string) (what, right string) {
	if what, right = checkText(s); what != "" {
		return what, right
	}
	header, _, _ := strings.Cut(s, " ")
	switch {
	case strings.Contains(s, ";"):
		return "asks more than one thing", "write a question of its own for each"
	case !strings.HasSuffix(header, "?") || strings.Count(s, "?") != 1:
		return "is no question", "a question's header ends with ?, such as MEAS:VOLT? or MEAS:VOLT? (@1)"
	}
	return checkPlaceholders(s, nil)
}

// fill puts numbers in place of the placeholders.
func fill(command string, pairs ...string) string {
	return strings.NewReplacer(pairs...).Replace(command)
}

// text writes v, in base units, in the number's unit.
func (n number) text(v int64) string {
	if n.decimals == 0 {
		return fmt.Sprint(v / n.mult)
	}
	return fmt.Sprintf("%d.%0*d", v/n.mult, n.decimals, v%n.mult/n.resolution())
}
