package notice

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os/exec"
	"strings"
	"time"
)

// client follows no redirects: a notice goes where the file says.
var client = &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}

// send makes one try.
func send(ctx context.Context, r Receiver, body []byte) error {
	if r.Webhook != nil {
		return request(ctx, r.Webhook, body)
	}
	return run(ctx, r.Command, body)
}

// request posts a notice. Answers of the 200s are success; of the 400s, but for
// those that ask to come again (408, 425, 429; RFC 9110, 8470, 6585), final.
func request(ctx context.Context, to *url.URL, body []byte) error {
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, to.String(), bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("%w: no request can be made for its address", ErrRefused)
	}
	q.Header.Set("Content-Type", "application/json")
	q.Header.Set("User-Agent", "rigwarden")
	a, err := client.Do(q)
	if err != nil {
		// Not the whole error: it holds the address, and that may hold a secret.
		var at *url.Error
		if errors.As(err, &at) {
			err = at.Err
		}
		return err
	}
	defer a.Body.Close()
	if _, err := io.CopyN(io.Discard, a.Body, 64<<10); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	switch c := a.StatusCode; {
	case c >= 200 && c < 300:
		return nil
	case c == http.StatusRequestTimeout, c == http.StatusTooEarly, c == http.StatusTooManyRequests:
		return fmt.Errorf("answered %s", a.Status)
	case c >= 300 && c < 500:
		return fmt.Errorf("%w: answered %s", ErrRefused, a.Status)
	}
	return fmt.Errorf("answered %s", a.Status)
}

// wordsMost is how much of what a failing program says is told.
const wordsMost = 200

// run starts a program, the notice on its standard input. It is killed when its
// time is over, and what it started is not waited for.
func run(ctx context.Context, argv []string, body []byte) error {
	cmd := exec.CommandContext(ctx, argv[0], argv[1:]...)
	cmd.Stdin = bytes.NewReader(body)
	var says tail
	cmd.Stdout, cmd.Stderr = io.Discard, &says
	cmd.WaitDelay = time.Second
	err := cmd.Run()
	switch {
	case err == nil:
		return nil
	case errors.Is(err, exec.ErrNotFound):
		return fmt.Errorf("%w: %w", ErrRefused, err)
	case says.String() != "":
		return fmt.Errorf("%w: %s", err, says.String())
	}
	return err
}

// tail keeps the end of what is written to it.
type tail struct{ kept []byte }

func (t *tail) Write(p []byte) (int, error) {
	t.kept = append(t.kept, p...)
	if over := len(t.kept) - wordsMost; over > 0 {
		t.kept = append(t.kept[:0], t.kept[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string { return strings.Join(strings.Fields(string(t.kept)), " ") }

// Once makes one try to send a notice to one receiver.
func Once(ctx context.Context, r Receiver, n Notice) error {
	n.Caution = Caution
	body, err := json.Marshal(n)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, r.Timeout)
	defer cancel()
	return send(ctx, r, body)
}
