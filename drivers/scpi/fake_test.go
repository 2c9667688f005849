package scpi_test

import (
	"bufio"
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/scpi"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fake is an instrument that keeps whatever it is told and says it again, and
// that can be made to answer in any wrong way.
type fake struct {
	mu      sync.Mutex
	log     []string          // every message, in order
	vals    map[string]string // by header
	errors  []string
	event   int
	special map[string]func(c net.Conn) bool // by message; false: as usual
	heard   map[string]chan struct{}
	conns   []net.Conn
	ended   int
	address string
}

const fakeIdentity = "Quayside Instruments,QS-80,0042,1.3"

func newFake(t testing.TB) *fake {
	f := &fake{event: 0x80, special: map[string]func(net.Conn) bool{}, heard: map[string]chan struct{}{}}
	f.vals = map[string]string{
		"*IDN": fakeIdentity, "MEAS:VOLT": "+5.12000E+01", "MEAS:CURR": "2.5", "MEAS:VOLT:DC": "51.204",
		"OUTP": "0", "INP": "0", "STAT:QUES:COND": "0", "SYST:COMM:TIM": "0", "*STB": "0",
		"SOUR:VOLT:PROT:TRIP": "0", "SOUR:CURR:PROT:TRIP": "0", "SYST:COMM:TIM:TRIP": "0",
		"SOUR:VOLT:PROT": "88", "SOUR:CURR:PROT": "61",
	}
	f.address = listen(t, f.serve)
	return f
}

func (f *fake) serve(_ context.Context, c net.Conn) {
	f.mu.Lock()
	f.conns = append(f.conns, c)
	f.mu.Unlock()
	defer func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.ended++
	}()
	lines := bufio.NewScanner(c)
	for lines.Scan() {
		if !f.message(c, strings.TrimRight(lines.Text(), "\r")) {
			return
		}
	}
}

func (f *fake) message(c net.Conn, m string) bool {
	f.mu.Lock()
	f.log = append(f.log, m)
	special := f.special[m]
	if ch := f.heard[m]; ch != nil {
		close(ch)
		delete(f.heard, m)
	}
	f.mu.Unlock()
	if special != nil && special(c) {
		return true
	}
	f.mu.Lock()
	reply := f.usual(m)
	f.mu.Unlock()
	if reply == "" {
		return true
	}
	_, err := c.Write([]byte(reply + "\n"))
	return err == nil
}

// usual is what an instrument without tricks answers; mu is held.
func (f *fake) usual(m string) string {
	head, arg, _ := strings.Cut(m, " ")
	switch head {
	case "SYST:ERR?":
		if len(f.errors) == 0 {
			return `0,"No error"`
		}
		e := f.errors[0]
		f.errors = f.errors[1:]
		return e
	case "*CLS":
		f.errors = nil
		return ""
	case "*ESR?":
		e := f.event
		f.event = 0
		return itoa(e)
	}
	if key, ok := strings.CutSuffix(head, "?"); ok {
		v, known := f.vals[key]
		if !known {
			f.errors = append(f.errors, `-113,"Undefined header;`+head+`"`)
		}
		return v
	}
	if arg != "" {
		f.vals[head] = map[string]string{"ON": "1", "OFF": "0"}[arg]
		if f.vals[head] == "" {
			f.vals[head] = arg
		}
	}
	if trip, ok := strings.CutSuffix(head, ":CLE"); ok {
		f.vals[trip+":TRIP"] = "0"
	}
	return ""
}

func itoa(n int) string {
	if n >= 10 {
		return itoa(n/10) + itoa(n%10)
	}
	return string(rune('0' + n))
}

// put sets what a question is answered.
func (f *fake) put(header, value string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.vals[header] = value
}

func (f *fake) queue(entries ...string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.errors = append(f.errors, entries...)
}

// trick answers a message in its own way.
func (f *fake) trick(message string, do func(net.Conn) bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.special[message] = do
}

// says makes raw bytes the reply to a message.
func (f *fake) says(message, raw string) {
	f.trick(message, func(c net.Conn) bool {
		_, _ = c.Write([]byte(raw))
		return true
	})
}

func (f *fake) straight(message string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.special, message)
}

// messages returns and forgets what was heard.
func (f *fake) messages() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.log
	f.log = nil
	return l
}

func (f *fake) hears(message string) <-chan struct{} {
	f.mu.Lock()
	defer f.mu.Unlock()
	ch := make(chan struct{})
	f.heard[message] = ch
	return ch
}

func (f *fake) connections() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.conns)
}

// drop ends every connection.
func (f *fake) drop() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, c := range f.conns {
		_ = c.Close()
	}
}

// restart is a short loss of mains.
func (f *fake) restart() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.event = 0x80
	f.vals["OUTP"], f.vals["SOUR:VOLT:PROT"], f.vals["SOUR:CURR:PROT"], f.vals["SYST:COMM:TIM"] = "0", "88", "61", "0"
}

var fakeSpec = drivers.PowerSpec{
	VoltageMax: 80 * drivers.Volt, CurrentMax: 60 * drivers.Ampere, PowerMaxMW: 5_000_000,
	VoltageStep: 10_000, CurrentStep: 10_000, Delay: 50 * drivers.Millisecond, Slew: 200 * drivers.Ampere,
	CommTimeout: 2 * drivers.Second,
}

var fakeLimits = drivers.Protection{VoltageMax: 75 * drivers.Volt, CurrentMax: 30 * drivers.Ampere, CommTimeout: drivers.Second}

var fakeSet = drivers.Setpoint{On: true, Current: 5 * drivers.Ampere, Voltage: 60 * drivers.Volt}

func supplyAt(t testing.TB, o scpi.Options) *scpi.Power {
	t.Helper()
	if o.Role == "" {
		o.Role = "supply"
	}
	if o.Dialect == nil {
		o.Dialect = shipped(t, "common-"+o.Role)
	}
	p, err := scpi.NewPower(o, fakeSpec)
	require.NoError(t, err)
	t.Cleanup(func() { _ = p.Close() })
	return p
}

// patience is a deadline that a sound exchange never needs.
func patience(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// shortly is a deadline for exchanges that are meant to fail by it.
func shortly(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 60*time.Millisecond)
	t.Cleanup(cancel)
	return ctx
}

// await fails the test where ch is not closed in time.
func await(t testing.TB, ch <-chan struct{}, what string) {
	t.Helper()
	select {
	case <-ch:
	case <-time.After(5 * time.Second):
		t.Fatalf("%s: nothing happened", what)
	}
}

// armed is a supply that was armed, and switched on if so wanted.
func armed(t testing.TB, f *fake, on bool, o scpi.Options) *scpi.Power {
	t.Helper()
	o.Address = f.address
	p := supplyAt(t, o)
	_, err := p.Arm(patience(t), fakeLimits)
	require.NoError(t, err)
	if on {
		require.NoError(t, p.Set(patience(t), fakeSet))
	}
	f.messages()
	return p
}
