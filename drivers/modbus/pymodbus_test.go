package modbus

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

const python = "/usr/bin/python3"

// needPymodbus skips where the independent peer is missing, unless it is
// demanded.
func needPymodbus(t *testing.T) {
	t.Helper()
	out, err := exec.Command(python, "-c", "import pymodbus.server").CombinedOutput()
	if err == nil {
		return
	}
	said := strings.TrimSpace(string(out))
	said = said[strings.LastIndex(said, "\n")+1:]
	if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "pymodbus") {
		t.Fatalf("pymodbus is demanded by RIGWARDEN_REQUIRE and not to be had (Debian package python3-pymodbus): %v: %s", err, said)
	}
	t.Skipf("the independent Modbus peer is not installed (Debian package python3-pymodbus): %v: %s", err, said)
}

// startPymodbus starts the peer and returns the writes that it tells of.
func startPymodbus(t *testing.T, args ...string) <-chan string {
	t.Helper()
	cmd := exec.Command(python, append([]string{"testdata/pymodbus_server.py"}, args...)...)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	writes := make(chan string, 1000)
	go func() {
		defer close(writes)
		for s := bufio.NewScanner(out); s.Scan(); {
			writes <- s.Text()
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		for range writes {
		}
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(complaints.String())
		}
	})
	return writes
}

// told returns what the peer has been told up to and with a line, heartbeats
// aside.
func told(t *testing.T, writes <-chan string, last string) (list []string) {
	t.Helper()
	late := time.After(10 * time.Second)
	for {
		select {
		case w, ok := <-writes:
			if !ok {
				t.Fatalf("the peer ended after %q", list)
			}
			if strings.HasPrefix(w, "holding 1 ") {
				continue
			}
			// A halt is written again until it is answered: on a busy machine that
			// may be twice.
			if len(list) == 0 || list[len(list)-1] != w {
				list = append(list, w)
			}
			if w == last {
				return list
			}
		case <-late:
			t.Fatalf("the peer was told %q, and not %q", list, last)
		}
	}
}

const peerPoints = `
map: everything
for: points
points:
  s16: {table: input, at: 200, type: s16, step: 0.1 K, zero: 0 degC}
  u16: {table: input, at: 201, type: u16}
  float: {table: input, at: 202, type: float32, step: 1 V}
  float low first: {table: input, at: 204, type: float32, step: 1 V, words: low first}
  u32: {table: input, at: 206, type: u32, step: 1 Ohm}
  s32 low first: {table: input, at: 208, type: s32, step: 1 mV, words: low first}
  open wire: {table: input, at: 210, type: s16, step: 0.1 K, zero: 0 degC, invalid: 0x8000}
  bit set: {table: holding, at: 2, bit: 2}
  bit clear: {table: holding, at: 2, bit: 3}
  turned: {table: holding, at: 2, type: u16, bytes: low first}
  discrete 50: {table: discrete, at: 50}
  discrete 51: {table: discrete, at: 51}
  discrete 69: {table: discrete, at: 69}
  coil 15: {table: coil, at: 15}
`

const peerCoils = `
map: coils
for: box
link: {table: input, at: 0, type: s32, step: 1 mV}
feedback:
  negative: {table: discrete, at: 0}
  precharge: {table: discrete, at: 1}
  positive: {table: discrete, at: 2}
commands:
  write: %s
  negative: {table: coil, at: 10}
  precharge: {table: coil, at: 11}
  positive: {table: coil, at: 12}
`

// judgeByPymodbus drives the peer through everything that maps can say.
func judgeByPymodbus(t *testing.T, address string, writes <-chan string) {
	spec := virtual.WorkshopBench().Box
	open := func(m *Map, spec drivers.BoxSpec) *Box {
		x, err := NewBox(Options{Address: address, Map: m}, spec)
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, x.Close()) })
		return x
	}
	x := open(shippedMap(t, "common-box"), spec)
	require.Eventually(t, func() bool {
		_, err := x.Identify(within(t, time.Second))
		return err == nil
	}, 30*time.Second, 50*time.Millisecond, "the peer does not come up")
	who, err := x.Identify(within(t, 5*time.Second))
	require.NoError(t, err)
	assert.Equal(t, drivers.Identity{Maker: "harbour works", Model: "box-9", Serial: "KB-0042", Firmware: "2.0"}, who)

	require.NoError(t, x.Switch(within(t, 5*time.Second), negative|precharge))
	r, err := x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	assert.Equal(t, drivers.BoxReading{Link: 7808, Current: -75, State: int32(negative|precharge) | drivers.BoxFault, Beat: 41}, r)
	faults, err := x.Faults(within(t, 5*time.Second))
	require.NoError(t, err)
	assert.Equal(t, []string{"coil too hot"}, faults)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative|positive))
	require.NoError(t, x.Halt(within(t, 5*time.Second)))
	r, err = x.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	assert.EqualValues(t, drivers.BoxFault, r.State)
	require.NoError(t, x.Switch(within(t, 5*time.Second), negative))
	assert.Equal(t, []string{"holding 0 0", "holding 0 3", "holding 0 5", "holding 0 0", "holding 0 1"}, told(t, writes, "holding 0 1"))

	spec.CurrentStep, spec.Heartbeat = 0, 0
	for _, c := range []struct {
		write string
		want  []string
	}{
		{"as fits", []string{"coil 10 1 1 0", "coil 10 1 0 1", "coil 10 0 0 0"}},
		{"single", []string{"coil 10 0", "coil 11 0", "coil 12 0", "coil 10 1", "coil 11 1", "coil 12 0", "coil 11 0", "coil 10 1", "coil 11 0", "coil 12 1", "coil 10 0", "coil 11 0", "coil 12 0"}},
	} {
		y := open(parse(t, "coils.yaml", fmt.Sprintf(peerCoils, c.write)), spec)
		require.NoError(t, y.Switch(within(t, 5*time.Second), negative|precharge))
		r, err := y.Read(within(t, 5*time.Second))
		require.NoError(t, err)
		require.EqualValues(t, negative|precharge, r.State)
		require.NoError(t, y.Switch(within(t, 5*time.Second), negative|positive))
		require.NoError(t, y.Halt(within(t, 5*time.Second)))
		var list []string
		for len(list) < len(c.want) {
			list = append(list, told(t, writes, c.want[len(list)])...)
		}
		assert.Equal(t, c.want, list, c.write)
	}

	p, err := NewPoints(Options{Address: address, Map: parse(t, "everything.yaml", peerPoints)})
	require.NoError(t, err)
	defer p.Close()
	values, err := p.Read(within(t, 5*time.Second))
	require.NoError(t, err)
	var lines []string
	for _, v := range values {
		lines = append(lines, v.String())
	}
	assert.Equal(t, []string{
		"s16: -12.3 degC", "u16: 54321", "float: 36.625 V", "float low first: -500 mV", "u32: 3000000000 Ohm",
		"s32 low first: -2000000 V", "open wire: no reading", "bit set: yes", "bit clear: no", "turned: 13330",
		"discrete 50: no", "discrete 51: yes", "discrete 69: yes", "coil 15: no",
	}, lines)

	q, err := NewPoints(Options{Address: address, Map: parse(t, "none.yaml", "map: none\nfor: points\npoints:\n  u16: {table: input, at: 201, type: u16}\n  lost: {table: input, at: 300, type: u16}\n")})
	require.NoError(t, err)
	defer q.Close()
	_, err = q.Read(within(t, 5*time.Second))
	require.ErrorIs(t, err, drivers.ErrRefused)
	require.ErrorContains(t, err, "read input register 300 (lost at 300): exception 2, illegal data address")
}

func TestPymodbusTCP(t *testing.T) {
	needPymodbus(t)
	address := freePort(t)
	writes := startPymodbus(t, "tcp", address[strings.LastIndex(address, ":")+1:])
	judgeByPymodbus(t, "tcp:"+address, writes)
}

// The same over a serial line: two pseudo terminals, joined.
func TestPymodbusRTU(t *testing.T) {
	needPymodbus(t)
	if err := exec.Command(python, "-c", "import serial, serial_asyncio").Run(); err != nil {
		t.Skipf("the peer speaks no serial line here (Debian packages python3-serial, python3-serial-asyncio): %v", err)
	}
	var masters [2]*os.File
	var names [2]string
	for i := range masters {
		master, slave, err := pty.Open()
		if err != nil {
			t.Skipf("no pseudo terminals here: %v", err)
		}
		t.Cleanup(func() { master.Close(); slave.Close() })
		masters[i], names[i] = master, slave.Name()
		raw(t, names[i])
	}
	go io.Copy(masters[0], masters[1])
	go io.Copy(masters[1], masters[0])
	writes := startPymodbus(t, "rtu", names[1])
	judgeByPymodbus(t, "rtu:"+names[0]+"?baud=115200", writes)
}

// raw takes the terminal's own ideas (echo, line ends) out of a line before
// anybody has opened it.
func raw(t *testing.T, name string) {
	t.Helper()
	p, err := openPort(name, serialMode{baud: 115200, parity: "even", stop: 1})
	require.NoError(t, err)
	close(p.done)
	require.NoError(t, p.Close())
	for range p.bytes {
	}
}
