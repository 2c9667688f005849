package wire

import (
	"bytes"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

func (r *rig) misbehave(d virtual.Device, m Misbehaviour) {
	r.t.Helper()
	require.NoError(r.t, r.s.Misbehave(d, m))
}

// quiet demands that nothing comes for a while.
func (p *peer) quiet() {
	p.t.Helper()
	require.NoError(p.t, p.SetReadDeadline(time.Now().Add(100*time.Millisecond)))
	_, err := p.r.ReadByte()
	require.ErrorIs(p.t, err, os.ErrDeadlineExceeded)
	require.NoError(p.t, p.SetReadDeadline(time.Now().Add(20*time.Second)))
}

// stops reads some bytes and demands that no more come.
func (p *peer) stops(want string) {
	p.t.Helper()
	got := make([]byte, len(want))
	_, err := io.ReadFull(p.r, got)
	require.NoError(p.t, err)
	require.Equal(p.t, want, string(got))
	p.quiet()
}

// Each way in which an SCPI instrument's wire goes wrong, and that it heals.
func TestMisbehave(t *testing.T) {
	const supply = virtual.DeviceSupply
	start := func(t *testing.T, m Misbehaviour) (*rig, *peer) {
		r := newRig(t, nil)
		p := dial(t, r.address(supply))
		p.send("*CLS")
		require.Equal(t, "1", p.ask("*OPC?"))
		r.misbehave(supply, m)
		return r, p
	}
	heals := func(r *rig, p *peer) {
		r.t.Helper()
		r.misbehave(supply, Misbehaviour{})
		require.Equal(r.t, "0", p.ask("*TST?"))
	}
	t.Run("swallow", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Swallow})
		p.send("VOLT 11;*OPC?")
		p.quiet()
		heals(r, p)
		require.Equal(t, "0.000000000E+00", p.ask("VOLT?"), "it was never heard")
	})
	t.Run("drop", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Drop})
		_, err := p.r.ReadByte()
		require.Error(t, err)
		q := dial(t, r.address(supply))
		_, err = q.r.ReadByte()
		require.Error(t, err)
		r.misbehave(supply, Misbehaviour{})
		require.Equal(t, "1", dial(t, r.address(supply)).ask("*OPC?"))
	})
	t.Run("late", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Late, Delay: 600 * time.Millisecond, Count: 1})
		p.send("*OPC?")
		p.quiet()
		require.Equal(t, "1", p.ask("*TST?"), "the answer to the question before")
		require.Equal(t, "0", p.line())
		heals(r, p)
	})
	t.Run("twice", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Twice, Count: 1})
		require.Equal(t, "1", p.ask("*OPC?"))
		require.Equal(t, "1", p.ask("*TST?"), "the first answer again")
		require.Equal(t, "0", p.line())
		heals(r, p)
	})
	t.Run("half", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Half, Count: 1})
		p.send("SYST:VERS?")
		p.stops("199")
		heals(r, p)
	})
	t.Run("garbage", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Garbage, Count: 2})
		for range 2 {
			require.Equal(t, strings.TrimSuffix(string(garbage), "\n"), p.ask("*OPC?"))
		}
		heals(r, p)
	})
	t.Run("endless", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: Endless, Count: 1})
		p.send("MEAS:VOLT?")
		got := make([]byte, endless)
		_, err := io.ReadFull(p.r, got)
		require.NoError(t, err)
		require.Zero(t, bytes.Count(got, []byte("\n")))
		heals(r, p)
	})
	t.Run("wrong identity", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: WrongIdentity})
		require.Equal(t, "elsewhere,some other instrument,0,0", p.ask("*IDN?"))
		r.misbehave(supply, Misbehaviour{})
		require.Equal(t, "rigwarden,virtual supply,workshop-7,1", p.ask("*IDN?"))
	})
	t.Run("many errors", func(t *testing.T) {
		r, p := start(t, Misbehaviour{Kind: ManyErrors})
		for range 100 {
			require.NotEqual(t, `0,"No error"`, p.ask("SYST:ERR?"))
		}
		r.misbehave(supply, Misbehaviour{})
		p.obey("*CLS")
	})
}

// bare is a bench without wires, whose time stands still.
func bare(t *testing.T) *virtual.Realtime {
	t.Helper()
	b, err := virtual.New(benchConfig())
	require.NoError(t, err)
	return virtual.NewRealtime(b, func() drivers.Instant { return epoch })
}

// Where nothing can be wrong in that way, or nobody is, it is said.
func TestMisbehaveRefused(t *testing.T) {
	r := newRig(t, nil)
	for want, try := range map[string]error{
		`there is no "oven"`:         r.s.Misbehave("oven", Misbehaviour{}),
		`unknown kind "sulks"`:       r.s.Misbehave(virtual.DeviceBox, Misbehaviour{Kind: "sulks"}),
		"only SCPI instruments":      r.s.Misbehave(virtual.DeviceBox, Misbehaviour{Kind: ManyErrors}),
		"give a delay over 0":        r.s.Misbehave(virtual.DeviceBox, Misbehaviour{Kind: Late}),
		"give 0 for all of them":     r.s.Misbehave(virtual.DeviceBox, Misbehaviour{Kind: Half, Count: -1}),
		`"box" does not speak SCPI`:  r.s.Attach(virtual.DeviceBox, nil),
		"is no address to listen at": Serve(t.Context(), Config{Realtime: bare(t), Supply: "5025"}),
		"on wires already":           Serve(t.Context(), Config{Realtime: r.rt}),
		"no bench given":             Serve(t.Context(), Config{}),
		"can:nowhere":                Serve(t.Context(), Config{Realtime: bare(t), Monitor: []string{"can:nowhere"}}),
		"unix:/nowhere/at/all":       Serve(t.Context(), Config{Realtime: bare(t), Monitor: []string{"unix:/nowhere/at/all"}}),
	} {
		require.ErrorContains(t, try, want)
	}
}

// A cut network is not a broken connection: bytes get lost and the output goes on
// until the instrument's own timeout. The record tells when the current ended.
func TestCutNetwork(t *testing.T) {
	for _, d := range []virtual.Device{virtual.DeviceSupply, virtual.DeviceLoad} {
		t.Run(string(d), func(t *testing.T) {
			r := newRig(t, nil)
			r.connect()
			p := dial(t, r.address(d))
			if d == virtual.DeviceSupply {
				p.obey("VOLT 90;CURR 10;:SYST:COMM:TIM 0.8;:OUTP ON")
			} else {
				p.obey("CURR 10;:SYST:COMM:TIM 0.8;:INP ON")
			}
			r.run(drivers.Second / 2)
			require.Equal(t, "1", p.ask("*OPC?"))
			cut := drivers.Instant(r.clock.Load())
			r.misbehave(d, Misbehaviour{Kind: Swallow})
			for range 20 {
				p.send("*RST")
				r.run(drivers.Second / 10)
			}
			var zero Line
			for _, l := range r.told.lines(t) {
				if l.Device == d && l.Word == Zero {
					zero = l
				}
			}
			took := zero.At.Sub(cut)
			// Timeout, and 10 A at 100 A/s down to 50 mA.
			assert.InDelta(t, 800+99.5, float64(took)/1000, 2)
			require.LessOrEqual(t, zero.Current, 50*drivers.Ampere/1000)
		})
	}
}

// The same wires for the box and the monitor.
func TestMisbehaveElsewhere(t *testing.T) {
	r := newRig(t, nil)
	p := dialBox(t, r.address(virtual.DeviceBox))
	r.misbehave(virtual.DeviceBox, Misbehaviour{Kind: WrongIdentity})
	require.Equal(t, uint16('e')<<8|'l', p.read(readInput, inIdentity, 1)[0])
	r.misbehave(virtual.DeviceBox, Misbehaviour{Kind: Twice, Count: 1})
	first := p.raw("0001 0000 0006 01 03 0000 0002")
	require.Equal(t, first, p.raw("0002 0000 0006 01 03 0000 0001"), "the old answer, with its old transaction")
	r.misbehave(virtual.DeviceBox, Misbehaviour{Kind: Drop})
	_, err := io.Copy(io.Discard, p) // to its end, or a reset
	require.NotErrorIs(t, err, os.ErrDeadlineExceeded, "its connection ends")

	l := r.join(r.s.Addresses().Monitor[0])
	r.misbehave(virtual.DeviceMonitor, Misbehaviour{Kind: Twice, Count: 1})
	r.advance(100 * drivers.Millisecond)
	require.Equal(t, l.sweep(12), l.sweep(12))
	r.misbehave(virtual.DeviceMonitor, Misbehaviour{Kind: Half, Count: 1})
	r.advance(100 * drivers.Millisecond)
	r.advance(100 * drivers.Millisecond)
	l.sweep(6)
	require.NotEmpty(t, l.sweep(12))
}

// A serial line is a wire like a socket.
func TestAttach(t *testing.T) {
	r := newRig(t, nil)
	near, far := pipe(t)
	require.NoError(t, r.s.Attach(virtual.DeviceMeter, far))
	require.Equal(t, "1", near.ask("*OPC?\r"))
}

// The record's grammar: what is printed reads back, and nothing else is taken.
func TestRecordLines(t *testing.T) {
	for _, s := range []string{
		`1700000000123456 supply heard "OUTP OFF"`, `1 load on`, `2 load off silence`, `3 supply flowing 51000`,
		`4 supply zero -12`, `5 box contacts negative+positive`, `6 monitor bleeding 0001,8000`, `7 box heard "a\nb\x80"`,
	} {
		l, err := ParseLine(s)
		require.NoError(t, err)
		require.Equal(t, s, l.String())
	}
	for _, s := range []string{
		"", "1", "1 load", "x load on", "1 load on off", "1 load off", "1 load zero", "1 load zero much", `1 load heard "x`, "1 load sings la",
	} {
		_, err := ParseLine(s)
		require.Error(t, err, s)
	}
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, os.ErrClosed }

// A record that cannot be written is not silently short.
func TestRecordBroken(t *testing.T) {
	s, err := Start(Config{Realtime: bare(t), Record: broken{}})
	require.NoError(t, err)
	p := dial(t, s.Addresses().Supply)
	require.Equal(t, "1", p.ask("VOLT 5;*OPC?"))
	require.ErrorIs(t, s.Close(), os.ErrClosed)
}
