package study

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// Part is a finished piece of a study, kept so that it need not be done again: the
// trials of one kind, or the figures measured again.
type Part struct {
	// Of says what it is a part of: another plan, criteria or count of modules is
	// another part.
	Of      string   `json:"of"`
	Kind    string   `json:"kind,omitempty"`
	Trials  []seen   `json:"trials,omitempty"`
	Figures []figure `json:"figures,omitempty"`
}

// figure is a coverage, as it is kept.
type figure struct {
	Name   string  `json:"name"`
	Hits   int     `json:"hits"`
	Of     int     `json:"of"`
	Errors float64 `json:"errors_in_u"`
}

// Take returns what was counted of a kind; of no kind, the figures' coverage.
func (t *Tally) Take(of, kind string) Part {
	p := Part{Of: of, Kind: kind, Trials: t.found[kind]}
	if kind == "" {
		p.Trials = nil
		for _, n := range t.names {
			c := t.cover[n]
			p.Figures = append(p.Figures, figure{n, c.Held.Hits, c.Held.Of, c.sum})
		}
	}
	return p
}

// Put counts a part that was kept.
func (t *Tally) Put(p Part) {
	if p.Kind != "" {
		t.found[p.Kind] = append(t.found[p.Kind], p.Trials...)
	}
	for _, f := range p.Figures {
		c := t.coverage(f.Name)
		c.Held.Hits, c.Held.Of, c.sum = c.Held.Hits+f.Hits, c.Held.Of+f.Of, c.sum+f.Errors
	}
}

func partFile(dir, kind string) string {
	if kind == "" {
		kind = "figures"
	}
	return filepath.Join(dir, strings.ReplaceAll(kind, " ", "-")+".json")
}

// Kept reads a part from a folder; false where there is none of the same study.
func Kept(dir, of, kind string) (Part, bool, error) {
	text, err := os.ReadFile(partFile(dir, kind))
	if errors.Is(err, fs.ErrNotExist) {
		return Part{}, false, nil
	}
	var p Part
	if err == nil {
		err = json.Unmarshal(text, &p)
	}
	if err != nil {
		return Part{}, false, fmt.Errorf("study: a kept part: %w", err)
	}
	return p, p.Of == of && p.Kind == kind, nil
}

// Keep writes a part into a folder, whole or not at all.
func (p Part) Keep(dir string) error {
	text, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("study: keeping a part: %w", err)
	}
	name := partFile(dir, p.Kind)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("study: keeping a part: %w", err)
	}
	if err := os.WriteFile(name+".new", append(text, '\n'), 0o644); err != nil {
		return fmt.Errorf("study: keeping a part: %w", err)
	}
	if err := os.Rename(name+".new", name); err != nil {
		return fmt.Errorf("study: keeping a part: %w", err)
	}
	return nil
}

// Name says which study it is, whatever is asked of it: plan and criteria by their
// digests.
func (s *Study) Name() string { return s.digest + " " + s.Criteria.Digest }
