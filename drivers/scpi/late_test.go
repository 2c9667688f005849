package scpi_test

import (
	"context"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/scpi"
)

// end has the instrument take a message and then answer nothing more; it returns
// how the connection then ends for it.
func end(f *fake, message string) <-chan error {
	ended := make(chan error, 1)
	f.trick(message, func(c net.Conn) bool {
		_, err := io.Copy(io.Discard, c)
		ended <- err
		return true
	})
	return ended
}

func within(t *testing.T, ended <-chan error) error {
	t.Helper()
	select {
	case err := <-ended:
		return err
	case <-time.After(patienceLimit):
		t.Fatal("the connection did not end")
		return nil
	}
}

// INV-03: a connection that is given up while "on" may be under way is reset, so
// that it cannot deliver it after the off of the next connection; one on which
// off came last delivers off.
func TestNothingComesLate(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, false, scpi.Options{})
	ended := end(f, "OUTP ON")
	require.ErrorIs(t, p.Set(shortly(t), fakeSet), drivers.ErrNoAnswer)
	require.ErrorIs(t, within(t, ended), syscall.ECONNRESET)
	f.straight("OUTP ON")

	require.NoError(t, p.Halt(patience(t)))
	ended = end(f, "OUTP OFF")
	require.ErrorIs(t, p.Halt(shortly(t)), drivers.ErrNoAnswer)
	require.NoError(t, within(t, ended))
}

// INV-06: as long as off is what an output was told last, each connection begins
// with it: off may have been lost with the one before, or the instrument have
// come back switched on.
func TestOffBeginsEachConnection(t *testing.T) {
	f := newFake(t)
	var clock atomic.Int64 // a second for each look at it: no back-off lasts
	p := armed(t, f, true, scpi.Options{Now: func() drivers.Instant { return drivers.Instant(clock.Add(int64(drivers.Second))) }})
	end(f, "OUTP OFF")
	ctx, cancel := context.WithCancel(context.Background())
	off := f.hears("OUTP OFF")
	halted := make(chan error, 1)
	go func() { halted <- p.Halt(ctx) }()
	await(t, off, "off")
	cancel() // nobody waits to see whether it was taken
	require.ErrorIs(t, <-halted, drivers.ErrNoAnswer)
	// Whether the halt or the next reading gives the connection up is a matter of
	// which of them notices first.
	f.straight("OUTP OFF")
	for _, want := range []string{"it was lost", "it came back switched on"} {
		f.messages()
		readsAgain(t, p, 5120)
		log := f.messages()
		// What was left of the connection before may stand in front.
		assert.Contains(t, strings.Join(log, "\n"), "OUTP OFF\n*IDN?", want)
		r, err := p.Read(patience(t))
		require.NoError(t, err)
		assert.Zero(t, r.State&drivers.PowerOn, want)
		f.put("OUTP", "1")
		f.drop()
	}
	readsAgain(t, p, 5120)
	_, err := p.Arm(patience(t), fakeLimits)
	require.NoError(t, err)
	require.NoError(t, p.Set(patience(t), fakeSet))
	f.messages()
	f.drop()
	readsAgain(t, p, 5120)
	assert.NotContains(t, f.messages(), "OUTP OFF", "it is to be on")
}
