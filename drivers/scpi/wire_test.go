package scpi_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/scpi"
)

type conn = net.Conn

const (
	patienceLimit = 5 * time.Second
	tick          = 5 * time.Millisecond
)

func isNoAnswer(err error) bool { return errors.Is(err, drivers.ErrNoAnswer) }

func must(src []byte, ok bool) []byte {
	if !ok {
		panic("not shipped")
	}
	return src
}

// gate is shut until it is opened, at the test's end at the latest.
func gate(t *testing.T) (shut <-chan struct{}, open func()) {
	ch := make(chan struct{})
	open = sync.OnceFunc(func() { close(ch) })
	t.Cleanup(open)
	return ch, open
}

// readsAgain demands that the driver finds back by itself.
func readsAgain(t *testing.T, p *scpi.Power, want int32) {
	t.Helper()
	require.Eventually(t, func() bool {
		r, err := p.Read(patience(t))
		if err != nil {
			return false
		}
		require.Equal(t, want, r.Voltage)
		return true
	}, patienceLimit, tick)
}

// Replies that are no replies: each a clear error that names device, question
// and what came, and the next reading is right again.
func TestBadReplies(t *testing.T) {
	for _, x := range []struct{ name, question, raw, want string }{
		{"a word for a number", "MEAS:VOLT?", "VOLT\n", `MEAS:VOLT? -> "VOLT": unusable reply: no number`},
		{"a number with a tail", "MEAS:VOLT?", "5.1V\n", `MEAS:VOLT? -> "5.1V": unusable reply: no number`},
		{"hexadecimal", "MEAS:VOLT?", "0x10\n", "no number"},
		{"NaN spelt out", "MEAS:VOLT?", "NaN\n", "no number"},
		{"an empty reply", "MEAS:VOLT?", "\n", `MEAS:VOLT? -> "": unusable reply: no number`},
		{"two numbers", "MEAS:VOLT?", "5.1,5.2\n", "no number"},
		{"an impossible voltage", "MEAS:VOLT?", "1E30\n", "no quantity that can be"},
		{"a voltage over what a frame holds", "MEAS:VOLT?", "5E8\n", "over what a frame can carry"},
		{"a boolean of two", "OUTP?", "2\n", `OUTP? -> "2": unusable reply: no boolean`},
		{"a boolean spelt out", "OUTP?", "ON\n", "no boolean"},
		{"a register with a fraction", "STAT:QUES:COND?", "1.5\n", "no register"},
		{"a negative register", "STAT:QUES:COND?", "-1\n", "no register"},
		{"not UTF-8", "MEAS:VOLT?", "5\xff\xfe1\n", `MEAS:VOLT?: unusable reply: not readable as ASCII: "5\xff\xfe1"`},
		{"a control character", "MEAS:VOLT?", "5\x001\n", "not readable as ASCII"},
		{"an endless line", "MEAS:VOLT?", strings.Repeat("5", 100_000), "no end after 512 characters: \"5555"},
		{"a doubled reply", "MEAS:VOLT?", "48.1\n48.1\n", "unusable reply"},
	} {
		t.Run(x.name, func(t *testing.T) {
			f := newFake(t)
			p := supplyAt(t, scpi.Options{Address: f.address})
			readsAgain(t, p, 5120)
			f.says(x.question, x.raw)
			_, err := p.Read(patience(t))
			require.ErrorIs(t, err, scpi.ErrReply)
			assert.ErrorContains(t, err, x.want)
			assert.ErrorContains(t, err, "supply at "+f.address)
			assert.Less(t, len(err.Error()), 600)
			f.straight(x.question)
			readsAgain(t, p, 5120)
		})
	}
}

// A reply that ends in nothing, or never comes, is no answer by the deadline.
func TestNoReply(t *testing.T) {
	for name, raw := range map[string]string{"cut in half": "5.1", "silence": "", "only a return": "\r"} {
		t.Run(name, func(t *testing.T) {
			f := newFake(t)
			p := supplyAt(t, scpi.Options{Address: f.address})
			readsAgain(t, p, 5120)
			f.says("MEAS:VOLT?", raw)
			start := time.Now()
			_, err := p.Read(shortly(t))
			require.ErrorIs(t, err, drivers.ErrNoAnswer)
			assert.ErrorContains(t, err, `MEAS:VOLT?`)
			assert.Less(t, time.Since(start), 2*time.Second)
			f.straight("MEAS:VOLT?")
			readsAgain(t, p, 5120)
		})
	}
}

// A reply that comes twice, the second time only when the next question is out
// already, shifts all later ones by one: each of them is well formed, and a
// boolean or a register could be another's. Nothing of it is ever used.
func TestShiftedReplies(t *testing.T) {
	for _, doubled := range []string{"MEAS:VOLT?", "MEAS:CURR?", "OUTP?", "STAT:QUES:COND?", "SOUR:VOLT:PROT:TRIP?", "*ESR?"} {
		t.Run(doubled, func(t *testing.T) {
			f := newFake(t)
			p := supplyAt(t, scpi.Options{Address: f.address})
			readsAgain(t, p, 5120)
			f.put("MEAS:CURR", "51.2") // passes for a voltage
			var held atomic.Pointer[string]
			f.mu.Lock()
			questions := []string{"MEAS:VOLT?", "MEAS:CURR?", "OUTP?", "STAT:QUES:COND?", "SOUR:VOLT:PROT:TRIP?", "SOUR:CURR:PROT:TRIP?", "SYST:COMM:TIM:TRIP?", "*ESR?", "*ESE?"}
			for _, q := range questions {
				f.special[q] = func(c net.Conn) bool {
					f.mu.Lock()
					reply := f.usual(q)
					f.mu.Unlock()
					// The reply held back goes out in place of this one, which is held back in turn.
					if old := held.Load(); old != nil {
						held.Store(&reply)
						reply = *old
					} else if q == doubled {
						again := reply
						held.Store(&again)
					}
					_, _ = io.WriteString(c, reply+"\n")
					return true
				}
			}
			f.mu.Unlock()
			f.mu.Lock()
			f.vals["MEAS:VOLT"] = "99.9" // a new value each reading; never to be mixed up
			f.mu.Unlock()
			_, err := p.Read(patience(t))
			require.ErrorIs(t, err, scpi.ErrReply)
			for _, q := range questions {
				f.straight(q)
			}
			readsAgain(t, p, 9990)
		})
	}
}

// A reply after the deadline belongs to nothing any more, also where a
// converter keeps it for the next connection.
func TestLateReply(t *testing.T) {
	f := newFake(t)
	p := supplyAt(t, scpi.Options{Address: f.address})
	readsAgain(t, p, 5120)
	release, open := gate(t)
	f.trick("MEAS:VOLT?", func(c net.Conn) bool {
		<-release
		_, _ = io.WriteString(c, "11.1\n")
		return true
	})
	_, err := p.Read(shortly(t))
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	f.straight("MEAS:VOLT?")
	open()
	readsAgain(t, p, 5120)

	// The converter: old replies stand before the identity and after it.
	f.trick("*IDN?", func(c net.Conn) bool {
		_, _ = io.WriteString(c, "11.1\n0,\"No error\"\n"+fakeIdentity+"\n"+fakeIdentity+"\n148\n0\n")
		return true
	})
	f.drop()
	readsAgain(t, p, 5120)
}

// Bytes that nobody asked for break the connection even between questions.
func TestUnasked(t *testing.T) {
	f := newFake(t)
	p := supplyAt(t, scpi.Options{Address: f.address})
	readsAgain(t, p, 5120)
	f.mu.Lock()
	c := f.conns[len(f.conns)-1]
	f.mu.Unlock()
	_, err := io.WriteString(c, "0,\"No error\"\n")
	require.NoError(t, err)
	require.Eventually(t, func() bool { // the driver closes; nothing else ends it
		f.mu.Lock()
		defer f.mu.Unlock()
		return f.ended == 1
	}, patienceLimit, tick)
	readsAgain(t, p, 5120)
}

// The wrong instrument is told nothing but that it may say who it is.
func TestIdentity(t *testing.T) {
	f := newFake(t)
	p := supplyAt(t, scpi.Options{Address: f.address, Expect: drivers.Identity{Model: "QS-80", Serial: "0043"}})
	_, err := p.Read(patience(t))
	require.ErrorIs(t, err, drivers.ErrIdentity)
	assert.ErrorContains(t, err, `its serial is "0042", the bench file says "0043"`)
	assert.Equal(t, []string{"*IDN?"}, f.messages())

	t.Run("on a new connection", func(t *testing.T) {
		f := newFake(t)
		p := armed(t, f, true, scpi.Options{Expect: drivers.Identity{Serial: "0042"}})
		f.put("*IDN", "Quayside Instruments,QS-80,0099,1.3")
		f.drop()
		var err error
		require.Eventually(t, func() bool {
			_, err = p.Read(patience(t))
			return errors.Is(err, drivers.ErrIdentity)
		}, patienceLimit, tick)
		for _, m := range f.messages() {
			assert.Contains(t, []string{"*IDN?", "MEAS:VOLT?"}, m)
		}
		// Off is sent to whoever is there: it can do no harm.
		require.Error(t, p.Halt(shortly(t)))
		log := f.messages()
		require.NotEmpty(t, log)
		assert.Equal(t, "OUTP OFF", log[0])
	})
	t.Run("no identity at all", func(t *testing.T) {
		f := newFake(t)
		f.says("*IDN?", "QS-80 v1.3\n")
		p := supplyAt(t, scpi.Options{Address: f.address})
		_, err := p.Read(patience(t))
		require.ErrorIs(t, err, drivers.ErrIdentity)
		assert.ErrorContains(t, err, `*IDN? -> "QS-80 v1.3"`)
	})
}

// INV-03, INV-13: a halt is on the wire while a reply is awaited, and the
// reading that it cut off is taken anew, with the right replies.
func TestHaltOvertakes(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	release, open := gate(t)
	var once sync.Once
	asked := f.hears("MEAS:VOLT?")
	off := f.hears("OUTP OFF")
	f.trick("MEAS:VOLT?", func(c net.Conn) bool {
		first := false
		once.Do(func() { first = true })
		if !first {
			return false
		}
		go func() { // the instrument hears on while it measures
			<-release
			_, _ = io.WriteString(c, "77.7\n")
		}()
		return true
	})
	type result struct {
		r   drivers.Reading
		err error
	}
	read := make(chan result, 1)
	go func() {
		r, err := p.Read(patience(t))
		read <- result{r, err}
	}()
	await(t, asked, "the reading")
	halted := make(chan error, 1)
	go func() { halted <- p.Halt(patience(t)) }()
	await(t, off, "off, while the reading waits")
	open()
	require.NoError(t, <-halted)
	got := <-read
	require.NoError(t, got.err)
	assert.EqualValues(t, 5120, got.r.Voltage, "never the reply to the question that was cut off")
	assert.Equal(t, 1, f.connections(), "the connection was kept")
}

// A setpoint that a halt or a newer one overtook is never sent.
func TestSupersededSet(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, false, scpi.Options{})
	release, open := gate(t)
	asked := f.hears("MEAS:VOLT?")
	f.trick("MEAS:VOLT?", func(net.Conn) bool { <-release; return false })
	go func() { _, _ = p.Read(patience(t)) }()
	await(t, asked, "a reading that holds the turn")
	old, set := make(chan error, 1), make(chan error, 1)
	first, second := fakeSet, fakeSet
	first.Current, second.Current = 20*drivers.Ampere, 3*drivers.Ampere
	go func() { old <- p.Set(patience(t), first) }()
	select {
	case err := <-old:
		t.Fatalf("it did not wait for its turn: %v", err)
	case <-time.After(20 * time.Millisecond):
	}
	go func() { set <- p.Set(patience(t), second) }()
	select {
	case err := <-set:
		t.Fatalf("it did not wait for its turn: %v", err)
	case <-time.After(20 * time.Millisecond):
	}
	open()
	err := <-old
	require.ErrorIs(t, err, drivers.ErrRefused)
	assert.ErrorContains(t, err, "a newer set came after it")
	require.NoError(t, <-set)
	assert.Equal(t, []string{"SOUR:CURR 3.0000", "SOUR:VOLT 60.0000", "OUTP ON"}, commands(f.messages()))

	// A halt in the middle: on is not sent.
	require.NoError(t, p.Halt(patience(t)))
	f.messages()
	stop, end := gate(t)
	reached := f.hears("SOUR:VOLT 60.0000")
	f.trick("SOUR:VOLT 60.0000", func(net.Conn) bool { <-stop; return false })
	go func() { set <- p.Set(patience(t), first) }()
	await(t, reached, "the set")
	halt := make(chan error, 1)
	go func() { halt <- p.Halt(patience(t)) }()
	err = <-set
	require.ErrorIs(t, err, drivers.ErrRefused)
	assert.ErrorContains(t, err, "a halt came after it")
	end()
	require.NoError(t, <-halt)
	assert.Equal(t, []string{"SOUR:CURR 20.0000", "SOUR:VOLT 60.0000", "OUTP OFF"}, commands(f.messages()))
}

// A halt that finds nobody stays due: off is the first thing that the next
// connection hears, before its identity is asked.
func TestHaltStaysDue(t *testing.T) {
	f := newFake(t)
	var refuse atomic.Bool
	dial := func(ctx context.Context) (io.ReadWriteCloser, error) {
		if refuse.Load() {
			return nil, errors.New("no route to host")
		}
		var d net.Dialer
		return d.DialContext(ctx, "tcp", strings.TrimPrefix(f.address, "tcp:"))
	}
	var clock atomic.Int64 // a second for each look at it: no back-off lasts
	p := armed(t, f, true, scpi.Options{Dial: dial, Now: func() drivers.Instant { return drivers.Instant(clock.Add(int64(drivers.Second))) }})
	refuse.Store(true)
	f.drop()
	var err error
	require.Eventually(t, func() bool {
		_, err = p.Read(shortly(t))
		return err != nil && strings.Contains(err.Error(), "no route")
	}, patienceLimit, tick)
	require.ErrorIs(t, err, drivers.ErrNoAnswer)
	require.ErrorIs(t, p.Halt(shortly(t)), drivers.ErrNoAnswer)
	f.messages()
	refuse.Store(false)
	readsAgain(t, p, 5120)
	log := f.messages()
	require.Greater(t, len(log), 2)
	assert.Equal(t, []string{"OUTP OFF", "*IDN?"}, log[:2])
	assert.NotContains(t, log, "OUTP ON")
}

// A connection that is dead without anybody knowing swallows the off command:
// within the same call it goes out on another.
func TestHaltOnADeadConnection(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	f.mu.Lock()
	first := f.conns[0]
	f.mu.Unlock()
	swallow := func(c net.Conn) bool { return c == first }
	for _, m := range []string{"OUTP OFF", "OUTP?", "*ESE?"} {
		f.trick(m, swallow)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 400*time.Millisecond)
	defer cancel()
	require.NoError(t, p.Halt(ctx))
	assert.Equal(t, 2, f.connections())
	f.mu.Lock()
	defer f.mu.Unlock()
	assert.Equal(t, "0", f.vals["OUTP"])
}

// An instrument that hangs up between two messages is found again.
func TestConnectionDropped(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	for range 3 {
		f.drop()
		readsAgain(t, p, 5120)
	}
	require.NoError(t, p.Set(patience(t), fakeSet), "it kept its limits: still armed")
	assert.NotContains(t, commands(f.messages()), "OUTP ON", "it is on already")
}

func TestStillOn(t *testing.T) {
	f := newFake(t)
	var clock atomic.Int64
	p := armed(t, f, true, scpi.Options{Now: func() drivers.Instant { return drivers.Instant(clock.Load()) }})
	f.trick("OUTP OFF", func(net.Conn) bool { return true }) // acknowledged, not done
	require.NoError(t, p.Halt(patience(t)), "within its delay it may be on still")
	clock.Add(int64(drivers.Second))
	require.ErrorIs(t, p.Halt(patience(t)), drivers.ErrRefused)
}

// An instrument that takes longer to introduce itself than a reading may take is
// connected to all the same: the connection is made in time of its own.
func TestSlowIntroduction(t *testing.T) {
	f := newFake(t)
	release, answer := gate(t)
	f.trick("*IDN?", func(net.Conn) bool { <-release; return false })
	p := supplyAt(t, scpi.Options{Address: f.address})
	for range 2 {
		_, err := p.Read(shortly(t))
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		require.ErrorContains(t, err, "still connecting")
	}
	// A halt is heard meanwhile, though nobody can say yet that it was.
	off := f.hears("OUTP OFF")
	require.ErrorIs(t, p.Halt(shortly(t)), drivers.ErrNoAnswer)
	answer()
	await(t, off, "off")
	readsAgain(t, p, 5120)
	assert.Equal(t, 1, f.connections())
}

// Whoever only finds a connection gone is told which question ended it: a
// dialect may ask what the instrument does not know.
func TestNamesTheQuestionThatEndedAConnection(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, false, scpi.Options{})
	release, answer := gate(t)
	defer answer()
	f.trick("MEAS:VOLT?", func(net.Conn) bool { return true }) // read, and never answered
	f.trick("*IDN?", func(net.Conn) bool { <-release; return false })
	_, err := p.Read(shortly(t))
	require.ErrorContains(t, err, "MEAS:VOLT?")
	_, err = p.Read(shortly(t))
	require.ErrorContains(t, err, "still connecting (the connection before was lost: ")
	require.ErrorContains(t, err, "MEAS:VOLT?")
}

// Failed connections are not tried at each call; a halt is.
func TestBackOff(t *testing.T) {
	var clock, dials atomic.Int64
	p := supplyAt(t, scpi.Options{
		Now: func() drivers.Instant { return drivers.Instant(clock.Load()) },
		Dial: func(context.Context) (io.ReadWriteCloser, error) {
			dials.Add(1)
			return nil, errors.New("connection refused")
		},
	})
	tried := 0
	for range 600 { // a minute of readings
		_, err := p.Read(patience(t))
		require.ErrorIs(t, err, drivers.ErrNoAnswer)
		require.ErrorContains(t, err, "connection refused")
		clock.Add(int64(100 * drivers.Millisecond))
		tried++
	}
	n := dials.Load()
	assert.GreaterOrEqual(t, n, int64(30), "at least each two seconds")
	assert.LessOrEqual(t, n, int64(36))
	require.ErrorIs(t, p.Halt(patience(t)), drivers.ErrNoAnswer)
	assert.Greater(t, dials.Load(), n, "a halt does not wait for the back-off")
}

// An instrument that hears nothing while it answers gets its off on a
// connection of its own.
func TestHaltOnItsOwnConnection(t *testing.T) {
	src := bytes.Replace(must(scpi.Shipped("common-supply")), []byte("output:\n"), []byte("output:\n  overtakes: no\n"), 1)
	d, problems := scpi.ParseDialect("x.yaml", src)
	require.Empty(t, problems)
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{Dialect: d})
	asked := f.hears("MEAS:VOLT?")
	stop, end := gate(t)
	f.mu.Lock()
	first := f.conns[0]
	f.mu.Unlock()
	f.trick("MEAS:VOLT?", func(c net.Conn) bool {
		if c == first {
			<-stop
		}
		return false
	})
	read := make(chan error, 1)
	go func() {
		_, err := p.Read(patience(t))
		read <- err
	}()
	await(t, asked, "the reading")
	require.NoError(t, p.Halt(patience(t)))
	require.NoError(t, <-read)
	end()
	f.mu.Lock()
	defer f.mu.Unlock()
	assert.Equal(t, "0", f.vals["OUTP"])
	assert.Len(t, f.conns, 2)
}

// Halts and readings from everywhere at once, on an instrument with a mind of
// its own; run with -race.
func TestCrowd(t *testing.T) {
	f := newFake(t)
	p := armed(t, f, true, scpi.Options{})
	var crowd sync.WaitGroup
	errs := make(chan error, 200)
	for i := range 4 {
		crowd.Go(func() {
			for range 10 {
				if i == 0 {
					if err := p.Halt(patience(t)); err != nil {
						errs <- fmt.Errorf("halt: %w", err)
					}
					continue
				}
				r, err := p.Read(patience(t))
				if err == nil && r.Voltage != 5120 {
					err = fmt.Errorf("reading %+v", r)
				}
				if err != nil {
					errs <- err
				}
			}
		})
	}
	crowd.Wait()
	close(errs)
	for err := range errs {
		t.Error(err)
	}
}

func BenchmarkRead(b *testing.B) {
	f := newFake(b)
	p := supplyAt(b, scpi.Options{Address: f.address})
	ctx := patience(b)
	for b.Loop() {
		if _, err := p.Read(ctx); err != nil {
			b.Fatal(err)
		}
		f.mu.Lock()
		f.log = f.log[:0]
		f.mu.Unlock()
	}
}

func BenchmarkIdentify(b *testing.B) {
	f := newFake(b)
	p := supplyAt(b, scpi.Options{Address: f.address})
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	b.Cleanup(cancel)
	for b.Loop() {
		if _, err := p.Identify(ctx); err != nil {
			b.Fatal(err)
		}
	}
}
