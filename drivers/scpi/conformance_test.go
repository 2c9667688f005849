package scpi_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/scpi"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// listen serves each connection until the test ends.
func listen(t testing.TB, serve func(ctx context.Context, c net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			work.Go(func() {
				defer c.Close()
				stop := context.AfterFunc(ctx, func() { _ = c.Close() })
				defer stop()
				serve(ctx, c)
			})
		}
	})
	t.Cleanup(func() {
		cancel()
		_ = l.Close()
		work.Wait()
	})
	return "tcp:" + l.Addr().String()
}

func shipped(t testing.TB, name string) *scpi.Dialect {
	t.Helper()
	src, ok := scpi.Shipped(name)
	require.True(t, ok, name)
	d, problems := scpi.ParseDialect(name+".yaml", src)
	require.Empty(t, problems)
	return d
}

// speaker gives a virtual supply or load the words of the shipped dialects: as
// much SCPI as these need, in their spelling.
type speaker struct {
	p    drivers.Power
	spec drivers.PowerSpec

	mu     sync.Mutex
	set    drivers.Setpoint
	guard  drivers.Protection
	errors []string
	ese    string
	event  int
	calls  int
	// cleared is the reading before which trips were cleared: the virtual
	// instrument's status is as old as its latest reading.
	cleared int32
}

func newSpeaker(p drivers.Power, spec drivers.PowerSpec) *speaker {
	return &speaker{p: p, spec: spec, event: 0x80, ese: "0", cleared: -1,
		guard: drivers.Protection{VoltageMax: spec.VoltageMax, CurrentMax: spec.CurrentMax}}
}

func (s *speaker) serve(ctx context.Context, c net.Conn) {
	lines := bufio.NewScanner(c)
	for lines.Scan() {
		reply, err := s.message(ctx, strings.TrimSpace(lines.Text()))
		if err != nil {
			return // hung, or the test is over
		}
		if reply != "" {
			if _, err := io.WriteString(c, reply+"\n"); err != nil {
				return
			}
		}
	}
}

// micro reads a decimal as millionths.
func micro(text string) int64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic(err)
	}
	if v < 0 {
		return int64(v*1e6 - 0.5)
	}
	return int64(v*1e6 + 0.5)
}

func (s *speaker) message(ctx context.Context, m string) (string, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls++
	head, arg, _ := strings.Cut(m, " ")
	if strings.HasSuffix(head, "?") {
		return s.answer(ctx, head)
	}
	fail := func(err error) {
		if err != nil {
			s.errors = append(s.errors, `-221,"Settings conflict"`)
		}
	}
	var err error
	arm := func() {
		var got drivers.Protection
		if got, err = s.p.Arm(ctx, s.guard); err == nil {
			s.guard = got
			r, _ := s.p.Read(ctx)
			s.cleared = r.Beat
		}
	}
	switch head {
	case "":
	case "*ESE":
		s.ese = arg
	case "*CLS":
		s.errors = nil
	case "OUTP", "INP":
		if s.set.On = arg == "ON"; s.set.On {
			err = s.p.Set(ctx, s.set)
		} else {
			err = s.p.Halt(ctx)
		}
	case "SOUR:CURR":
		s.set.Current = drivers.Microamps(micro(arg))
	case "SOUR:VOLT", "SOUR:VOLT:LIM:LOW":
		s.set.Voltage = drivers.Microvolts(micro(arg))
	case "SOUR:VOLT:PROT":
		s.guard.VoltageMax = drivers.Microvolts(micro(arg))
		arm()
	case "SOUR:CURR:PROT":
		s.guard.CurrentMax = drivers.Microamps(micro(arg))
		arm()
	case "SYST:COMM:TIM":
		s.guard.CommTimeout = drivers.Span(micro(arg))
		arm()
	case "SOUR:VOLT:PROT:CLE", "SOUR:CURR:PROT:CLE", "SYST:COMM:TIM:CLE":
		arm()
	case "SOUR:VOLT:PROT:STAT", "SOUR:CURR:PROT:STAT", "SOUR:FUNC:MODE":
	default:
		s.errors = append(s.errors, `-113,"Undefined header"`)
	}
	if err == nil && s.set.On && (head == "SOUR:CURR" || strings.HasPrefix(head, "SOUR:VOLT")) && !strings.Contains(head, "PROT") {
		err = s.p.Set(ctx, s.set)
	}
	if ctx.Err() != nil {
		return "", ctx.Err()
	}
	fail(err)
	return "", nil
}

func (s *speaker) answer(ctx context.Context, head string) (string, error) {
	r, err := s.p.Read(ctx) // any contact is contact
	if err != nil {
		return "", err
	}
	if r.Beat == s.cleared {
		r.State &^= drivers.PowerTripped | drivers.PowerLeaseOut
	}
	flag := func(bit int32) string {
		if r.State&bit != 0 {
			return "1"
		}
		return "0"
	}
	decimal := func(v int64) string { return fmt.Sprintf("%+.6E", float64(v)/1e6) }
	switch head {
	case "*IDN?":
		id, err := s.p.Identify(ctx)
		return strings.Join([]string{id.Maker, id.Model, id.Serial, id.Firmware}, ","), err
	case "*ESE?":
		return s.ese, nil
	case "*STB?":
		return "0", nil
	case "*ESR?":
		e := s.event
		s.event = 0
		return strconv.Itoa(e), nil
	case "SYST:ERR?":
		if len(s.errors) == 0 {
			return `0,"No error"`, nil
		}
		e := s.errors[0]
		s.errors = s.errors[1:]
		return e, nil
	case "OUTP?", "INP?":
		return flag(drivers.PowerOn), nil
	case "STAT:QUES:COND?":
		q := 0
		if r.State&drivers.PowerVoltage != 0 {
			q |= 2
		}
		if r.State&drivers.PowerFault != 0 {
			q |= 16
		}
		return strconv.Itoa(q), nil
	case "SOUR:VOLT:PROT:TRIP?", "SOUR:CURR:PROT:TRIP?":
		return flag(drivers.PowerTripped), nil
	case "SYST:COMM:TIM:TRIP?":
		return flag(drivers.PowerLeaseOut), nil
	case "SYST:COMM:TIM?":
		return decimal(int64(s.guard.CommTimeout)), nil
	case "SOUR:VOLT:PROT?":
		return decimal(int64(s.guard.VoltageMax)), nil
	case "SOUR:CURR:PROT?":
		return decimal(int64(s.guard.CurrentMax)), nil
	case "SOUR:VOLT?", "SOUR:VOLT:LIM:LOW?":
		return decimal(int64(s.set.Voltage)), nil
	case "SOUR:CURR?":
		return decimal(int64(s.set.Current)), nil
	case "MEAS:VOLT?":
		return decimal(int64(r.Voltage) * int64(s.spec.VoltageStep)), nil
	case "MEAS:CURR?":
		return decimal(int64(r.Current) * int64(s.spec.CurrentStep)), nil
	}
	s.errors = append(s.errors, `-113,"Undefined header"`)
	return "", nil
}

// meterSpeaker is the same for the voltmeter.
func meterSpeaker(m drivers.Meter, step drivers.Microvolts) func(context.Context, net.Conn) {
	return func(ctx context.Context, c net.Conn) {
		ese := "0"
		lines := bufio.NewScanner(c)
		for lines.Scan() {
			head, arg, _ := strings.Cut(strings.TrimSpace(lines.Text()), " ")
			reply := ""
			switch head {
			case "*IDN?":
				id, err := m.Identify(ctx)
				if err != nil {
					return
				}
				reply = strings.Join([]string{id.Maker, id.Model, id.Serial, id.Firmware}, ",")
			case "*ESE":
				ese = arg
			case "*ESE?":
				reply = ese
			case "*ESR?":
				reply = "0"
			case "SYST:ERR?":
				reply = `+0,"No error"`
			case "MEAS:VOLT:DC?":
				r, err := m.Read(ctx)
				if err != nil {
					return
				}
				reply = fmt.Sprintf("%.6f", float64(r.Voltage)*float64(step)/1e6)
			}
			if reply != "" {
				if _, err := io.WriteString(c, reply+"\r\n"); err != nil {
					return
				}
			}
		}
	}
}

// benchOverWires is the virtual workshop with supply, load and meter behind
// sockets; it follows the given clock.
func benchOverWires(t testing.TB, clock *atomic.Int64) (*virtual.Realtime, drivers.Set, drivers.Bench) {
	c := virtual.Config{Bench: virtual.WorkshopBench(), Article: virtual.DefaultArticle(), Seed: 7, Start: 1_700_000_000_000_000}
	b, err := virtual.New(c)
	require.NoError(t, err)
	clock.Store(int64(c.Start))
	now := func() drivers.Instant { return drivers.Instant(clock.Load()) }
	live := virtual.NewRealtime(b, now)
	set := live.Set()
	bench := c.Bench
	power := func(role string, p drivers.Power, spec drivers.PowerSpec) drivers.Power {
		address := listen(t, newSpeaker(p, spec).serve)
		d, err := scpi.NewPower(scpi.Options{Role: role, Address: address, Dialect: shipped(t, "common-"+role), Now: now}, spec)
		require.NoError(t, err)
		t.Cleanup(func() { _ = d.Close() })
		return d
	}
	set.Supply = power("supply", set.Supply, bench.Supply)
	set.Load = power("load", set.Load, bench.Load)
	address := listen(t, meterSpeaker(set.Meter, bench.Meter.VoltageStep))
	m, err := scpi.NewMeter(scpi.Options{Role: "meter", Address: address, Dialect: shipped(t, "common-meter"), Now: now}, bench.Meter)
	require.NoError(t, err)
	t.Cleanup(func() { _ = m.Close() })
	set.Meter = m
	return live, set, bench
}

// The contract of drivers, over sockets, against the virtual bench in a test's
// time. Box and monitor are the bench's own.
func TestConformance(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		var clock atomic.Int64
		live, set, bench := benchOverWires(t, &clock)
		return &drivertest.Fixture{
			Set: set, Bench: bench, Concurrent: true,
			Advance: func(d drivers.Span) { clock.Add(int64(d)) },
			Hang: func(r drivertest.Role) {
				live.Do(func(b *virtual.Bench) {
					require.NoError(t, b.Inject(virtual.Fault{
						Kind: virtual.DriverHangs, Device: virtual.Device(r), When: virtual.Trigger{On: virtual.AfterStart},
					}))
				})
				clock.Add(1)
			},
		}
	})
}
