package canbus

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// identity returns what the monitor says of itself, and whether it has said all
// of it. What is fixed by the map is always known.
func (d *decoder) identity() (id drivers.Identity, complete bool, err error) {
	if s := &d.self; s.stale {
		s.id, s.complete, s.err = d.introduce()
		s.stale = false
	}
	return d.self.id, d.self.complete, d.self.err
}

// self is what the pieces of an identity make together.
type self struct {
	id       drivers.Identity
	complete bool
	err      error
	stale    bool // a piece has changed since
}

func (d *decoder) introduce() (id drivers.Identity, complete bool, err error) {
	complete = true
	for i, into := range [identityParts]*string{&id.Maker, &id.Model, &id.Serial, &id.Firmware} {
		part := &d.parts[i]
		if *into = part.fixed; len(part.signals) == 0 {
			continue
		}
		text, known, bad := said(d.pieces[d.partAt[i]:d.partAt[i+1]], part.numbers)
		if !known {
			complete = false
			continue
		}
		if bad != nil && err == nil {
			err = fmt.Errorf("%w: its %s is no text: %w", drivers.ErrIdentity, partNames[i], bad)
		}
		*into = text
	}
	return id, complete, err
}

// said puts the pieces of one part together.
func said(pieces []piece, numbers bool) (text string, known bool, err error) {
	var words []string
	var letters []byte
	for _, p := range pieces {
		if !p.known {
			return "", false, nil
		}
		if numbers {
			words = append(words, strconv.FormatUint(p.value, 10))
			continue
		}
		for at := 0; at < int(p.size); at += 8 {
			shift := at // the frame's first byte is the first letter
			if p.big {
				shift = int(p.size) - 8 - at
			}
			letters = append(letters, byte(p.value>>shift))
		}
	}
	if numbers {
		return strings.Join(words, "."), true, nil
	}
	text = strings.TrimSpace(strings.TrimRight(string(letters), "\x00"))
	for _, c := range []byte(text) {
		if c < ' ' || c > '~' {
			return "", true, fmt.Errorf("byte %#02x in %q", c, text)
		}
	}
	return text, true, nil
}
