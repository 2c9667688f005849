package host

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/rigwarden/rigwarden/drivers"
)

// A device that answers after its round is asked again in the next one, also
// where it is the only one and nobody else's answer is waited for.
func TestALateAnswerDoesNotSilenceItsDevice(t *testing.T) {
	r := &reader{ask: make(chan struct{}, 1), got: []int32{7}, values: []int32{0}}
	s := &sampler{readers: []*reader{r}, answers: make(chan answer, 1)}
	s.read(context.Background(), drivers.Microsecond)
	assert.True(t, r.busy, "it has not answered")
	assert.Len(t, r.ask, 1)
	<-r.ask
	s.answers <- answer{r, 42, nil}

	s.read(context.Background(), drivers.Microsecond)
	assert.Equal(t, drivers.Instant(42), r.answered)
	assert.Equal(t, []int32{7}, r.values)
	assert.Len(t, r.ask, 1, "it is asked again")
}
