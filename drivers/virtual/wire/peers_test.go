package wire

import (
	"context"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// systemPython runs Debian's own interpreter, whose packages the peers are.
const systemPython = "/usr/bin/python3"

// need skips where a peer is not installed, and fails where RIGWARDEN_REQUIRE
// names it.
func need(t *testing.T, name string, modules ...string) {
	t.Helper()
	var err error
	for _, m := range modules {
		if err = exec.Command(systemPython, "-c", "import "+m).Run(); err != nil {
			break
		}
	}
	if err == nil {
		return
	}
	if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), name) {
		t.Fatalf("%s is demanded by RIGWARDEN_REQUIRE and not installed for %s (Debian package python3-%s): %v", name, systemPython, name, err)
	}
	t.Skipf("%s is not installed for %s (Debian package python3-%s)", name, systemPython, name)
}

// live is a bench on the wall clock.
func live(t *testing.T) (*Server, *virtual.Realtime) {
	t.Helper()
	start := time.Now()
	b, err := virtual.New(benchConfig())
	require.NoError(t, err)
	rt := virtual.NewRealtime(b, func() drivers.Instant { return epoch + drivers.Instant(time.Since(start).Microseconds()) })
	s, err := Start(Config{Realtime: rt})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s, rt
}

func port(address string) string { return address[strings.LastIndexByte(address, ':')+1:] }

func peerScript(t *testing.T, script string, args ...string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, systemPython, append([]string{script}, args...)...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.True(t, strings.HasPrefix(string(out), "ok"), "%s", out)
	t.Logf("%s", out)
}

// An independent VISA library talks to supply, load and meter, with either line
// end, and finds the figures that the bench really has.
func TestVisaPeer(t *testing.T) {
	t.Parallel()
	need(t, "pyvisa", "pyvisa", "pyvisa_py")
	s, rt := live(t)
	var volts float64
	rt.Do(func(b *virtual.Bench) {
		// The article's terminals on the link, as a closed box has them.
		x := b.BoxPanel()
		x.Feed()
		x.Energise(drivers.BoxNegative | drivers.BoxPrecharge)
		volts = float64(b.MeterPanel().Measure().Voltage) * float64(b.Spec().Meter.VoltageStep) / 1e6
	})
	closed := make(chan struct{})
	t.Cleanup(func() { <-closed })
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	go func() {
		defer close(closed)
		heartbeat(ctx, rt)
	}()
	linked(t, rt)
	a := s.Addresses()
	peerScript(t, "testdata/visa_peer.py", port(a.Supply), port(a.Load), port(a.Meter), strconv.FormatFloat(volts, 'f', 3, 64))
}

// heartbeat keeps the box closed.
func heartbeat(ctx context.Context, rt *virtual.Realtime) {
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			rt.Do(func(b *virtual.Bench) { b.BoxPanel().Feed() })
		case <-ctx.Done():
			return
		}
	}
}

// linked waits for the precharge and closes.
func linked(t *testing.T, rt *virtual.Realtime) {
	t.Helper()
	require.Eventually(t, func() (ok bool) {
		rt.Do(func(b *virtual.Bench) {
			m := b.MeterPanel().Measure()
			ok = float64(b.Truth().Link) > 0.99*float64(m.Voltage)*float64(b.Spec().Meter.VoltageStep)
		})
		return ok
	}, 10*time.Second, 20*time.Millisecond)
	for _, c := range []drivers.Contactors{drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive, drivers.BoxNegative | drivers.BoxPositive} {
		rt.Do(func(b *virtual.Bench) { b.BoxPanel().Energise(c) })
		require.Eventually(t, func() (ok bool) {
			rt.Do(func(b *virtual.Bench) { ok = b.BoxPanel().Contacts() == c })
			return ok
		}, 10*time.Second, 10*time.Millisecond)
	}
}

// An independent Modbus client precharges, closes, reads and lets the box drop
// out.
func TestModbusPeer(t *testing.T) {
	t.Parallel()
	need(t, "pymodbus", "pymodbus")
	s, _ := live(t)
	peerScript(t, "testdata/modbus_peer.py", port(s.Addresses().Box))
}
