package plugin

import (
	"errors"
	"fmt"
	"strings"
)

// target is where a plugin is: a command to start, or a place to dial.
type target struct {
	command        []string
	network, place string
}

const wantAddress = "exec:COMMAND ARGS, unix:/path or tcp:host:port would be right"

// parseAddress reads a plugin's address.
func parseAddress(s string) (target, error) {
	scheme, rest, ok := strings.Cut(s, ":")
	if !ok || rest == "" {
		return target{}, fmt.Errorf("plugin address %q; %s", s, wantAddress)
	}
	switch scheme {
	case "exec":
		words, err := splitWords(rest)
		if err != nil {
			return target{}, fmt.Errorf("plugin address %q: %w", s, err)
		}
		if words[0] == "" {
			return target{}, fmt.Errorf("plugin address %q names an empty command; %s", s, wantAddress)
		}
		return target{command: words}, nil
	case "unix", "tcp":
		if strings.ContainsAny(rest, " \t") {
			return target{}, fmt.Errorf("plugin address %q has a blank in it; %s", s, wantAddress)
		}
		if colon := strings.LastIndexByte(rest, ':'); scheme == "tcp" && (colon <= 0 || colon == len(rest)-1) {
			return target{}, fmt.Errorf("plugin address %q lacks host or port; tcp:host:port would be right", s)
		}
		return target{network: scheme, place: rest}, nil
	}
	return target{}, fmt.Errorf("plugin address %q; %s", s, wantAddress)
}

// CommandAddress is the address of a plugin that is started by a command.
func CommandAddress(command ...string) string {
	var b strings.Builder
	for i, w := range command {
		if i > 0 {
			b.WriteByte(' ')
		}
		if w != "" && !strings.ContainsAny(w, " \t\n\\'\"") {
			b.WriteString(w)
			continue
		}
		b.WriteString("'" + strings.ReplaceAll(w, "'", `'\''`) + "'")
	}
	return "exec:" + b.String()
}

// splitWords parts a command at blanks. Single quotes keep everything as it is,
// double quotes and bare words let a backslash take the next character so. No
// shell is involved: nothing is expanded. There is at least one word.
func splitWords(s string) ([]string, error) {
	var words []string
	var word strings.Builder
	var quote byte
	open, escaped := false, false
	for i := range len(s) {
		c := s[i] // a byte of a longer character is none of these
		switch {
		case escaped:
			word.WriteByte(c)
			escaped = false
		case c == '\\' && quote != '\'':
			open, escaped = true, true
		case quote != 0:
			if c == quote {
				quote = 0
			} else {
				word.WriteByte(c)
			}
		case c == '\'' || c == '"':
			open, quote = true, c
		case c == ' ' || c == '\t' || c == '\n':
			if open {
				words = append(words, word.String())
				word.Reset()
				open = false
			}
		default:
			open = true
			word.WriteByte(c)
		}
	}
	switch {
	case quote != 0:
		return nil, fmt.Errorf("a quote %c that nothing closes", quote)
	case escaped:
		return nil, errors.New("a backslash at the end; the character that it protects is missing")
	case open:
		words = append(words, word.String())
	}
	if len(words) == 0 {
		return nil, errors.New("no command")
	}
	return words, nil
}
