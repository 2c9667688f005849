package scpi

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// talk is one conversation with the instrument: its holder has the turn.
type talk struct {
	s   *session
	l   *link
	ctx context.Context
	may func() error // refuses what must not be sent any more
}

// ask asks, and has parse make something of the reply.
func (t *talk) ask(question string, parse func(string) error) error {
	reply, err := t.l.ask(t.ctx, question, t.may)
	if err != nil {
		return fmt.Errorf("%s: %w", question, err)
	}
	if err := parse(reply); err != nil {
		t.l.lose() // it may have been another question's
		return fmt.Errorf("%s -> %.60q: %w", question, reply, err)
	}
	return nil
}

// send sends a command and lets it settle.
func (t *talk) send(command string, settle time.Duration) error {
	if err := t.l.write(t.ctx, command, modeIdle, t.may); err != nil {
		return fmt.Errorf("%s: %w", command, err)
	}
	return wait(t.ctx, settle)
}

// command sends a command and demands that it leaves no error.
func (t *talk) command(command string, settle time.Duration) error {
	if err := t.send(command, settle); err != nil {
		return err
	}
	entries, err := t.entries()
	if err != nil {
		return err
	}
	return complaint(fmt.Sprintf("after %q", command), entries)
}

// entries empties the error queue. What does not end is cleared, and is an
// error of its own.
func (t *talk) entries() ([]Entry, error) {
	rule := t.s.dialect.errors
	var list []Entry
	for len(list) < rule.most {
		var e Entry
		err := t.ask(rule.ask, func(reply string) (err error) {
			e, err = parseEntry(reply)
			return err
		})
		if err != nil {
			return list, err
		}
		if e.Number == 0 {
			return list, nil
		}
		list = append(list, e)
	}
	if rule.clear == "" {
		return list, fmt.Errorf("%s: %w: %d entries and still not empty: %s", rule.ask, drivers.ErrRefused, len(list), join(list))
	}
	if err := t.send(rule.clear, 0); err != nil {
		return list, err
	}
	err := t.ask(rule.ask, func(reply string) error {
		e, err := parseEntry(reply)
		if err == nil && e.Number != 0 {
			err = fmt.Errorf("%w: %d entries before it, and still not empty after %q", drivers.ErrRefused, len(list), rule.clear)
		}
		return err
	})
	if err != nil {
		return list, err
	}
	return list, fmt.Errorf("%s: %w: %d entries and more, %w: %s", rule.ask, drivers.ErrRefused, len(list), errCleared, join(list))
}

// errCleared: the error queue held too much to be read, and is empty now.
var errCleared = errors.New("cleared unread")

// old empties the error queue of what was there before: a queue that had to be
// cleared unread is as good as empty.
func (t *talk) old() ([]Entry, error) {
	list, err := t.entries()
	if errors.Is(err, errCleared) {
		err = nil
	}
	return list, err
}

// complaint makes an error of entries; nil where there are none.
func complaint(when string, entries []Entry) error {
	if len(entries) == 0 {
		return nil
	}
	return fmt.Errorf("%s: %w: its error queue has %s", when, drivers.ErrRefused, join(entries))
}

func join(entries []Entry) string {
	var b strings.Builder
	for i, e := range entries {
		if i == 3 && len(entries) > 4 {
			fmt.Fprintf(&b, " and %d more", len(entries)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(e.String())
	}
	return b.String()
}

// states asks for everything that the instrument says of itself; only limits
// the questions to those whose replies can mean it.
func (t *talk) states(only flags) (all flags, err error) {
	for i := range t.s.dialect.states {
		st := &t.s.dialect.states[i]
		if st.meaning()&only == 0 {
			continue
		}
		err := t.ask(st.ask, func(reply string) error {
			f, err := st.parse(reply)
			if err == nil {
				t.s.seen(f)
			}
			all |= f
			return err
		})
		if err != nil {
			return 0, err
		}
	}
	return all, nil
}

// measure asks for one quantity as counts of step.
func (t *talk) measure(r reading, step int64) (n int32, err error) {
	err = t.ask(r.ask, func(reply string) (err error) {
		n, err = r.parseCount(reply, step)
		return err
	})
	return n, err
}

// quantity asks for one setting in base units.
func (t *talk) quantity(question string, n number) (v int64, err error) {
	err = t.ask(question, func(reply string) error {
		got, ok, err := parseQuantity(reply, n.suffix, n.mult)
		if err == nil && !ok {
			err = unusable("not a number")
		}
		v = got
		return err
	})
	return v, err
}

// sure demands that every reply so far was its own question's. Nothing that was
// answered before may be used without, save for switching off or refusing.
func (t *talk) sure() error {
	send, ask, want := t.s.mark()
	if send != "" {
		if err := t.send(send, 0); err != nil {
			return err
		}
	}
	reply, err := t.l.ask(t.ctx, ask, t.may)
	if err != nil {
		return fmt.Errorf("%s: %w", ask, err)
	}
	if !want(reply) {
		err := unusable("it answers another question; nothing that was read before is used")
		t.l.fail(err)
		return fmt.Errorf("%s -> %.60q: %w", ask, reply, err)
	}
	return nil
}

// connected sends what each connection begins with.
func (t *talk) connected() error {
	for _, c := range t.s.dialect.connect {
		if err := t.command(c, 0); err != nil {
			return err
		}
	}
	return nil
}

// identity asks who answers and whether it is who was expected.
func (t *talk) identity() (id drivers.Identity, err error) {
	rule := t.s.dialect.identity
	err = t.ask(rule.ask, func(reply string) (err error) {
		if id, err = rule.parse(reply); err == nil {
			err = t.s.expect.Check(id)
		}
		return err
	})
	if errors.Is(err, drivers.ErrIdentity) {
		t.l.fail(err)
	}
	return id, err
}
