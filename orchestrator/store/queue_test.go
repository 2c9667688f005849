package store

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A queue survives as it was stored last, with the texts that its entries name and
// who changed it; a file that never had one is read as it is.
func TestQueue(t *testing.T) {
	path := tempPath(t)
	s := openStore(t, path, small())
	q, err := s.Queue("quay-1")
	require.NoError(t, err)
	require.Equal(t, Queue{Bench: "quay-1"}, q)
	names, err := s.QueueBenches()
	require.NoError(t, err)
	require.Empty(t, names)

	text := []byte("profile: charge\n")
	q.Last, q.Held = 1, "nobody has let it go yet"
	q.Entries = []QueueEntry{{ID: "q0001", Module: "KW-01", Profile: "charge.yaml", ProfileSum: TextSum(text), State: "waiting", Who: "technician", Added: 7}}
	require.NoError(t, s.PutQueue(q, Audit{At: 7, Who: "technician", What: "queue add", Text: "charge.yaml for KW-01"}, text))
	require.ErrorIs(t, s.PutQueue(Queue{}, Audit{What: "queue add"}), ErrBadValue)
	require.NoError(t, s.Close())

	s = openStore(t, path, Options{ReadOnly: true})
	got, err := s.Queue("quay-1")
	require.NoError(t, err)
	assert.Equal(t, q, got)
	back, err := s.QueueText(TextSum(text))
	require.NoError(t, err)
	assert.Equal(t, text, back)
	_, err = s.QueueText(TextSum([]byte("another")))
	require.ErrorIs(t, err, ErrNotFound)
	names, err = s.QueueBenches()
	require.NoError(t, err)
	assert.Equal(t, []string{"quay-1"}, names)
	var last Audit
	require.NoError(t, s.Audit(func(a Audit) error { last = a; return nil }))
	assert.Equal(t, "queue add by technician on quay-1: charge.yaml for KW-01", last.What+" by "+last.Who+" on "+last.Bench+": "+last.Text)
}
