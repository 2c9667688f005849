package scpi

import (
	"context"
	"fmt"
	"math/rand/v2"

	"github.com/rigwarden/rigwarden/drivers"
)

// introduce finds out who answers, makes questions and replies match, and
// greets.
func (s *session) introduce(ctx context.Context, l *link) error {
	l.lose()
	if err := s.identify(ctx, l); err != nil {
		return err
	}
	if err := s.resync(ctx, l); err != nil {
		return err
	}
	return s.greet(&talk{s: s, l: l, ctx: ctx})
}

// identify asks who answers before anything else is asked or told. What comes
// before a reply that can be an identity was for an earlier question.
func (s *session) identify(ctx context.Context, l *link) error {
	ctx, cancel := context.WithTimeout(ctx, askLimit)
	defer cancel()
	rule := s.dialect.identity
	if err := l.write(ctx, rule.ask, modeSyncing, nil); err != nil {
		return err
	}
	var other string
	for range mostReplies {
		reply, err := l.next(ctx)
		if err != nil && other != "" && !l.isDown() {
			return fmt.Errorf("%s -> %.60q: %w: %w: maker,model,serial,firmware is right", rule.ask, other, drivers.ErrIdentity, ErrReply)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", rule.ask, err)
		}
		if !rule.looks(reply) {
			other = reply
			continue
		}
		id, err := rule.parse(reply)
		if err == nil {
			err = s.expect.Check(id)
		}
		if err != nil {
			return fmt.Errorf("%s -> %.100q: %w", rule.ask, reply, err)
		}
		s.identity = reply
		return nil
	}
	return fmt.Errorf("%s: %w", rule.ask, unusable("%d replies, none of them an identity; the latest %.60q", mostReplies, other))
}

// resync makes questions and replies match: see the package's comment. A serial
// instrument may lose a question, so it is asked anew.
func (s *session) resync(ctx context.Context, l *link) error {
	var err error
	for range 3 {
		try, cancel := context.WithTimeout(ctx, mendLimit/5)
		err = s.count(try, l)
		cancel()
		if err == nil || l.isDown() || ctx.Err() != nil {
			break
		}
	}
	return err
}

func (s *session) count(ctx context.Context, l *link) error {
	l.lose()
	send, ask, want := s.mark()
	for _, m := range []string{send, ask} {
		if m != "" {
			if err := l.write(ctx, m, modeSyncing, nil); err != nil {
				return err
			}
		}
	}
	for reply := ""; !want(reply); {
		var err error
		if reply, err = l.next(ctx); err != nil {
			return fmt.Errorf("%s: looking for its reply among earlier ones: %w", ask, err)
		}
	}
	// The reply could be an old one by chance. The next, to another number, must
	// come at once.
	send, ask, want = s.mark()
	for _, m := range []string{send, ask} {
		if m != "" {
			if err := l.write(ctx, m, modeSyncing, nil); err != nil {
				return err
			}
		}
	}
	reply, err := l.next(ctx)
	if err != nil {
		return fmt.Errorf("%s: %w", ask, err)
	}
	if !want(reply) {
		return fmt.Errorf("%s -> %.60q: %w", ask, reply, unusable("it answers another question"))
	}
	if !l.found() {
		return fmt.Errorf("%s: %w", ask, unusable("it was answered more than once"))
	}
	return nil
}

// mark draws a number that was not used last and returns how it is written,
// asked for, and recognised. Only bits that every instrument keeps in the
// event status enable register are used: 0x42, request control and user
// request, need not exist (IEEE 488.2 11.5.1, from memory). Two bits at least,
// so that no boolean and few registers look like it.
func (s *session) mark() (send, ask string, want func(string) bool) {
	m := s.dialect.marker
	if m.send == "" {
		return "", m.ask, func(reply string) bool { return reply == s.identity }
	}
	n := s.lastNumber
	for n == s.lastNumber || n < 4 || n&(n-1) == 0 {
		n = int(rand.Uint32()) & 0xbd
	}
	s.lastNumber = n
	return fill(m.send, "{number}", fmt.Sprint(n)), m.ask, func(reply string) bool {
		v, ok, err := parseNumber(reply, "")
		return err == nil && ok && v == float64(n)
	}
}
