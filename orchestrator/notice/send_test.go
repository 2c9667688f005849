package notice

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Which answers are final: RFC 9110, 15.5 (408), RFC 8470 (425), RFC 6585 (429).
func TestAnswers(t *testing.T) {
	for code, want := range map[int]struct{ sent, final bool }{
		200: {true, false}, 204: {true, false}, 302: {false, true}, 400: {false, true}, 404: {false, true},
		408: {false, false}, 425: {false, false}, 429: {false, false}, 500: {false, false}, 503: {false, false},
	} {
		var body, kind string
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
			b, err := io.ReadAll(q.Body)
			assert.NoError(t, err)
			body, kind = string(b), q.Header.Get("Content-Type")
			w.Header().Set("Location", "/elsewhere")
			w.WriteHeader(code)
		}))
		u, err := url.Parse(s.URL + "/secret-token")
		require.NoError(t, err)
		err = send(t.Context(), Receiver{Webhook: u, Timeout: time.Second}, []byte(`{"what":"trip"}`))
		s.Close()
		assert.Equal(t, `{"what":"trip"}`, body)
		assert.Equal(t, "application/json", kind)
		if want.sent {
			assert.NoError(t, err, code)
			continue
		}
		require.Error(t, err, code)
		if want.final {
			assert.ErrorIs(t, err, ErrRefused, code)
		} else {
			assert.NotErrorIs(t, err, ErrRefused, code)
		}
	}
}

func TestNoSecretInErrors(t *testing.T) {
	s := httptest.NewServer(http.NotFoundHandler())
	u, err := url.Parse(s.URL + "/secret-token")
	require.NoError(t, err)
	u.User = url.UserPassword("rig", "secret-word")
	s.Close() // nobody answers
	r := Receiver{Webhook: u}
	err = send(t.Context(), r, nil)
	require.Error(t, err)
	assert.NotContains(t, r.Name()+err.Error(), "secret")
}

func TestPrograms(t *testing.T) {
	to := filepath.Join(t.TempDir(), "got")
	require.NoError(t, run(t.Context(), []string{"sh", "-c", `cat >"$1"`, "-", to}, []byte("the notice")))
	got, err := os.ReadFile(to)
	require.NoError(t, err)
	assert.Equal(t, "the notice", string(got))

	err = run(t.Context(), []string{"sh", "-c", "echo the line is busy >&2; exit 3"}, nil)
	require.EqualError(t, err, "exit status 3: the line is busy")
	assert.ErrorIs(t, run(t.Context(), []string{"no-such-program-of-any-kind"}, nil), ErrRefused)

	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	assert.Error(t, run(ctx, []string{"sh", "-c", "cat; exit 0"}, nil))
}
