package profiles

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Canonical returns the one stored form of a plan, JSON without spaces and with
// a fixed order of keys, and its SHA-256 in hex. A plan holds integers, words
// and lists only, so that one plan has one form.
func Canonical(plan *machine.Plan) ([]byte, string, error) {
	if plan == nil {
		return nil, "", errors.New("no plan to write")
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(plan); err != nil {
		return nil, "", fmt.Errorf("write plan of profile %s: %w", plan.Profile, err)
	}
	text := bytes.TrimSuffix(b.Bytes(), []byte("\n"))
	return text, digest(text), nil
}

// Decode reads what Canonical wrote and prepares the layout's look-ups. Unknown
// keys and trailing data are refused: a plan of a newer grammar must not be
// run by half.
func Decode(canonical []byte) (*machine.Plan, error) {
	dec := json.NewDecoder(bytes.NewReader(canonical))
	dec.DisallowUnknownFields()
	plan := &machine.Plan{}
	if err := dec.Decode(plan); err != nil {
		return nil, fmt.Errorf("read stored plan: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("read stored plan: something follows the plan; expected its end")
	}
	if err := plan.Layout.Index(); err != nil {
		return nil, fmt.Errorf("read stored plan: %w", err)
	}
	return plan, nil
}
