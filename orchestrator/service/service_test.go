package service

import (
	"context"
	"errors"
	"net"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/test/bufconn"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

var testStart = time.Date(2026, time.October, 12, 6, 30, 0, 0, time.UTC)

// fakeBench is a bench that does nothing but what the test tells it.
type fakeBench struct {
	mu       sync.Mutex
	status   bench.Status
	subs     []chan bench.Status
	started  []bench.StartRequest
	commands []string
	startErr error
	// gate, where set, holds every command until it is closed; entered tells
	// that one has arrived.
	gate, entered chan struct{}
	begun         chan bench.StartRequest // where set: gets each start
}

func (f *fakeBench) Name() string { return DefaultBench }

func (f *fakeBench) Status() bench.Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.status
}

func (f *fakeBench) Subscribe() (<-chan bench.Status, func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	ch := make(chan bench.Status, 1)
	f.subs = append(f.subs, ch)
	return ch, func() {}
}

func (f *fakeBench) publish(s bench.Status) {
	f.mu.Lock()
	defer f.mu.Unlock()
	s.Bench = DefaultBench
	f.status = s
	for _, ch := range f.subs {
		select {
		case <-ch:
		default:
		}
		ch <- s
	}
}

func (f *fakeBench) Start(_ context.Context, r bench.StartRequest) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.startErr != nil {
		return f.startErr
	}
	f.started = append(f.started, r)
	if f.begun != nil {
		f.begun <- r
	}
	f.status.View = machine.View{Phase: machine.PhaseArming, Run: r.Run, At: drivers.Instant(testStart.UnixMicro())}
	return nil
}

func (f *fakeBench) Command(ctx context.Context, verb machine.Verb, who, reason string) error {
	if f.gate != nil {
		close(f.entered)
		select {
		case <-f.gate:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.commands = append(f.commands, string(verb)+" "+who+" "+reason)
	return nil
}

func (f *fakeBench) told() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.commands...)
}

type noPlanner struct{}

func (noPlanner) Observe(*drivers.Frame, *machine.View)          {}
func (noPlanner) Compute(c machine.Compute) (e machine.Computed) { return e }

// rig is a served store with a fake bench and a client of it.
type rig struct {
	*session
	bench *fakeBench
	store *store.Store
	path  string
	ended chan string

	server *Server
	later  atomic.Int64 // how long after testStart it is, in nanoseconds
}

// wait moves the rig's clock.
func (r *rig) wait(d time.Duration) { r.later.Add(int64(d)) }

func (r *rig) now() time.Time { return testStart.Add(time.Duration(r.later.Load())) }

type session struct {
	modules  rigwardenv1.ModulesClient
	profiles rigwardenv1.ProfilesClient
	benches  rigwardenv1.BenchesClient
	runs     rigwardenv1.RunsClient
	checks   rigwardenv1.ChecksClient
	conn     *grpc.ClientConn
}

func newRig(t *testing.T) *rig {
	t.Helper()
	path := filepath.Join(t.TempDir(), "rig.db")
	st, err := store.Open(path, store.Options{NoSync: true, Now: func() time.Time { return testStart }})
	require.NoError(t, err)
	t.Cleanup(func() {
		assert.NoError(t, st.Check())
		assert.NoError(t, st.Close())
	})
	r := &rig{bench: &fakeBench{status: bench.Status{Bench: DefaultBench, View: machine.View{Phase: machine.PhaseIdle, Step: -1, ImbalancePPM: -1}}}, store: st, path: path, ended: make(chan string, 8)}
	text, err := profiles.LibraryBench(DefaultBench)
	require.NoError(t, err)
	r.server = New(Config{
		Store: st, Now: r.now,
		Benches: []Served{{Bench: r.bench, File: "quay-1.yaml", Text: text, Virtual: true}},
		Planner: func(*machine.Plan, *profiles.Module) (bench.Planner, error) { return noPlanner{}, nil },
		Ended:   func(run string) { r.ended <- run },
	})
	r.session = serveServer(t, r.server)
	return r
}

func serve(t *testing.T, c Config) *session {
	t.Helper()
	return serveServer(t, New(c))
}

func serveServer(t *testing.T, s *Server) *session {
	t.Helper()
	l := bufconn.Listen(1 << 16)
	g := s.GRPC()
	go g.Serve(l)
	conn, err := grpc.NewClient("passthrough:///rig",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() {
		conn.Close()
		g.Stop()
	})
	return sessionOn(conn)
}

func sessionOn(conn *grpc.ClientConn) *session {
	return &session{
		modules: rigwardenv1.NewModulesClient(conn), profiles: rigwardenv1.NewProfilesClient(conn),
		benches: rigwardenv1.NewBenchesClient(conn), runs: rigwardenv1.NewRunsClient(conn), checks: rigwardenv1.NewChecksClient(conn), conn: conn,
	}
}

// within bounds every call of a test.
func within(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func wantKind(t *testing.T, err error, k Kind) *Error {
	t.Helper()
	require.Error(t, err)
	e := FromStatus(err)
	assert.Equal(t, k, e.Kind, e.Error())
	return e
}

func (r *rig) register(t *testing.T, serial string) {
	t.Helper()
	text, err := profiles.LibraryModule(serial)
	require.NoError(t, err)
	_, err = r.modules.Register(within(t), &rigwardenv1.RegisterModuleRequest{File: &rigwardenv1.SourceFile{Name: serial + ".yaml", Content: text}, Who: "test engineer"})
	require.NoError(t, err)
}

// trust makes the first checks that a run with nobody beside it demands.
func (r *rig) trust(t *testing.T, serial string) {
	t.Helper()
	r.hand(t, serial, 78_020_000)
	r.insulation(t, serial, 3_570_000)
}

// hand enters a total of a module whose loose cells read 3.25 V; it returns the
// check's grade.
func (r *rig) hand(t *testing.T, serial string, total int64) string {
	t.Helper()
	got, err := r.checks.Make(within(t), &rigwardenv1.MakeCheckRequest{Serial: serial, Who: "technician", Method: &rigwardenv1.MakeCheckRequest_Hand{Hand: &rigwardenv1.HandReadings{
		TotalUv: total, ExpectedUv: 3_250_000, ExpectedWithinUv: 5_000, Accuracy: &rigwardenv1.MeterAccuracy{GainPpm: 5_000, OffsetUv: 20_000}}}})
	require.NoError(t, err)
	return got.GetCheck().GetGrade()
}

// insulation enters what the negative pole reads with 12 kOhm; it returns the
// check's grade.
func (r *rig) insulation(t *testing.T, serial string, after int64) string {
	t.Helper()
	got, err := r.checks.Make(within(t), &rigwardenv1.MakeCheckRequest{Serial: serial, Who: "technician", Method: &rigwardenv1.MakeCheckRequest_Insulation{Insulation: &rigwardenv1.InsulationReadings{
		TotalUv: 78_900_000, NegativeUv: 61_700_000, PositiveUv: 17_200_000, InsertedUohm: 12_000_000_000, AfterUv: after,
		MeterUohm: 10_000_000_000_000, Accuracy: &rigwardenv1.MeterAccuracy{GainPpm: 5_000, OffsetUv: 20_000}}}})
	require.NoError(t, err)
	return got.GetCheck().GetGrade()
}

// start registers KW-01, checks it first and starts a run; it returns the run and what the bench
// was given.
func (r *rig) start(t *testing.T) (*rigwardenv1.Run, bench.StartRequest) {
	t.Helper()
	r.register(t, "KW-01")
	r.trust(t, "KW-01")
	got, err := r.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01", Who: "technician"})
	require.NoError(t, err)
	require.Len(t, r.bench.started, 1)
	return got.GetRun(), r.bench.started[0]
}

// frame makes a frame of the plan's layout with every count n.
func frame(req bench.StartRequest, seq uint64, at drivers.Instant, n int32) *drivers.Frame {
	f := &drivers.Frame{At: at, Seq: seq, Echo: seq, Counts: make([]int32, len(req.Plan.Layout.Channels))}
	for i := range f.Counts {
		f.Counts[i] = n
	}
	return f
}

func TestHealthAnswers(t *testing.T) {
	r := newRig(t)
	got, err := healthv1.NewHealthClient(r.conn).Check(within(t), &healthv1.HealthCheckRequest{})
	require.NoError(t, err)
	assert.Equal(t, healthv1.HealthCheckResponse_SERVING, got.GetStatus())
}

func TestModulesAreRegisteredListedAndShown(t *testing.T) {
	r := newRig(t)
	for _, s := range []string{"KW-02", "KW-01", "KW-03"} {
		r.register(t, s)
	}
	page, err := r.modules.List(within(t), &rigwardenv1.ListModulesRequest{Limit: 2})
	require.NoError(t, err)
	require.Len(t, page.GetModules(), 2)
	assert.True(t, page.GetMore())
	assert.Equal(t, "KW-01", page.GetModules()[0].GetSerial())
	page, err = r.modules.List(within(t), &rigwardenv1.ListModulesRequest{Limit: 2, After: "KW-02"})
	require.NoError(t, err)
	require.Len(t, page.GetModules(), 1)
	assert.False(t, page.GetMore())

	got, err := r.modules.Get(within(t), &rigwardenv1.GetModuleRequest{Serial: "KW-01"})
	require.NoError(t, err)
	m := got.GetModule()
	assert.Equal(t, int64(40*drivers.AmpereHour), m.GetRatedNc())
	assert.Equal(t, uint32(24), m.GetSeries())
	assert.Equal(t, uint32(2), m.GetParallel())
	assert.Equal(t, uint32(6), m.GetSensors())
	assert.Equal(t, testStart.UnixMicro(), m.GetRegisteredUs())
	text, err := profiles.LibraryModule("KW-01")
	require.NoError(t, err)
	assert.Equal(t, string(text), string(got.GetFile().GetContent()))

	again, err := r.modules.Register(within(t), &rigwardenv1.RegisterModuleRequest{File: &rigwardenv1.SourceFile{Name: "KW-01.yaml", Content: append(text, "# measured again\n"...)}})
	require.NoError(t, err)
	assert.True(t, again.GetReplaced())
	assert.NotEqual(t, m.GetDigest(), again.GetModule().GetDigest())

	_, err = r.modules.Get(within(t), &rigwardenv1.GetModuleRequest{Serial: "KW-99"})
	wantKind(t, err, KindNotFound)
	_, err = r.modules.List(within(t), &rigwardenv1.ListModulesRequest{Limit: 5000})
	wantKind(t, err, KindInvalid)
}

func TestAModuleFileWithMistakesIsRefusedWithAllOfThem(t *testing.T) {
	r := newRig(t)
	_, err := r.modules.Register(within(t), &rigwardenv1.RegisterModuleRequest{File: &rigwardenv1.SourceFile{Name: "odd.yaml", Content: []byte("module: KW-09\nseries: many\ncolour: blue\n")}})
	e := wantKind(t, err, KindInvalid)
	require.GreaterOrEqual(t, len(e.Problems), 2)
	var lines []int
	for _, p := range e.Problems {
		assert.Equal(t, "odd.yaml", p.File)
		lines = append(lines, p.Line)
	}
	assert.Contains(t, lines, 2)
	assert.Contains(t, lines, 3)
	_, err = r.modules.Register(within(t), &rigwardenv1.RegisterModuleRequest{File: &rigwardenv1.SourceFile{Name: "big.yaml", Content: make([]byte, fileMax+1)}})
	wantKind(t, err, KindTooLarge)
}

func TestAStartCompilesRecordsAndHandsOver(t *testing.T) {
	r := newRig(t)
	run, req := r.start(t)
	assert.Equal(t, rigwardenv1.Outcome_OUTCOME_RUNNING, run.GetOutcome())
	assert.Equal(t, run.GetId(), req.Run)
	assert.Equal(t, run.GetPlan(), req.PlanDigest)
	assert.Equal(t, "KW-01", req.Plan.Module)
	got, err := r.runs.Get(within(t), &rigwardenv1.GetRunRequest{Run: run.GetId()})
	require.NoError(t, err)
	plan, err := profiles.Decode(got.GetPlan())
	require.NoError(t, err)
	assert.Equal(t, req.Plan.Code, plan.Code)
	crit, err := profiles.LibraryCriteria(DefaultCriteria)
	require.NoError(t, err)
	assert.Equal(t, string(crit), got.GetCriteria())
}

func TestAStartIsRefusedWithItsReason(t *testing.T) {
	r := newRig(t)
	ask := func(bench, module string, p *rigwardenv1.Source) error {
		_, err := r.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: bench, Module: module, Profile: p, Who: "technician"})
		return err
	}
	wantKind(t, ask(DefaultBench, "KW-01", nil), KindNotFound) // shipped, but not registered
	r.register(t, "KW-01")
	r.trust(t, "KW-01")
	e := wantKind(t, ask("elsewhere", "KW-01", nil), KindNotFound)
	assert.Contains(t, e.Want, DefaultBench)
	file := func(text string) *rigwardenv1.Source {
		return &rigwardenv1.Source{Source: &rigwardenv1.Source_File{File: &rigwardenv1.SourceFile{Name: "mine.yaml", Content: []byte(text)}}}
	}
	e = wantKind(t, ask(DefaultBench, "KW-01", file("profile: mine\nsteps:\n  - charge: {current: 200 A, hold: 3.55 V/cell, taper: C/20}\n")), KindInvalid)
	assert.NotEmpty(t, e.Problems)

	r.bench.publish(bench.Status{View: machine.View{Phase: machine.PhaseRunning, Run: "r000007"}})
	e = wantKind(t, ask(DefaultBench, "KW-01", nil), KindBusy)
	assert.Contains(t, e.Error(), "r000007")
	r.bench.publish(bench.Status{Latched: "cell 7 at 3.66 V", View: machine.View{Phase: machine.PhaseLatched}})
	e = wantKind(t, ask(DefaultBench, "KW-01", nil), KindLatched)
	assert.Contains(t, e.Error(), "cell 7")
	assert.Empty(t, r.bench.started)
	runs, err := r.runs.List(within(t), &rigwardenv1.ListRunsRequest{})
	require.NoError(t, err)
	assert.Empty(t, runs.GetRuns(), "a refusal before recording leaves no run")
}

func TestARunThatTheBenchRefusesIsRecordedAsRefused(t *testing.T) {
	r := newRig(t)
	r.register(t, "KW-01")
	r.trust(t, "KW-01")
	r.bench.startErr = errors.New("monitor does not answer")
	_, err := r.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01"})
	require.ErrorContains(t, err, "monitor does not answer")
	runs, err := r.runs.List(within(t), &rigwardenv1.ListRunsRequest{})
	require.NoError(t, err)
	require.Len(t, runs.GetRuns(), 1)
	assert.Equal(t, rigwardenv1.Outcome_OUTCOME_REFUSED, runs.GetRuns()[0].GetOutcome())
}

func TestCommandsReachTheBench(t *testing.T) {
	r := newRig(t)
	run, req := r.start(t)
	say := func(v rigwardenv1.Verb, reason string) error {
		_, err := r.runs.Command(within(t), &rigwardenv1.CommandRunRequest{Run: run.GetId(), Verb: v, Who: "technician", Reason: reason})
		return err
	}
	require.NoError(t, say(rigwardenv1.Verb_VERB_PAUSE, ""))
	require.NoError(t, say(rigwardenv1.Verb_VERB_STOP, "lunch"))
	wantKind(t, say(rigwardenv1.Verb_VERB_UNSPECIFIED, ""), KindInvalid)
	wantKind(t, say(rigwardenv1.Verb_VERB_ACKNOWLEDGE, ""), KindInvalid)
	assert.Equal(t, []string{"pause technician ", "stop technician lunch"}, r.bench.told())

	r.bench.publish(bench.Status{View: machine.View{Phase: machine.PhaseWatching, Run: run.GetId()}})
	req.Finished(bench.Ending{Outcome: machine.OutcomeStopped, Reason: "lunch", At: drivers.Instant(testStart.UnixMicro())})
	assert.Equal(t, run.GetId(), <-r.ended)
	e := wantKind(t, say(rigwardenv1.Verb_VERB_STOP, ""), KindNotRunning)
	assert.Contains(t, e.Error(), "stopped: lunch")
	_, err := r.runs.Command(within(t), &rigwardenv1.CommandRunRequest{Run: "r000099", Verb: rigwardenv1.Verb_VERB_STOP})
	wantKind(t, err, KindNotFound)
}

// INV-13: a stop that was sent is carried out, even if its sender goes away.
func TestAStopOutlivesItsClient(t *testing.T) {
	r := newRig(t)
	run, _ := r.start(t)
	r.bench.gate, r.bench.entered = make(chan struct{}), make(chan struct{})
	ctx, cancel := context.WithCancel(within(t))
	gone := make(chan error, 1)
	go func() {
		_, err := r.runs.Command(ctx, &rigwardenv1.CommandRunRequest{Run: run.GetId(), Verb: rigwardenv1.Verb_VERB_STOP, Who: "passer-by"})
		gone <- err
	}()
	<-r.bench.entered
	cancel()
	wantKind(t, <-gone, KindCanceled)
	close(r.bench.gate)
	require.Eventually(t, func() bool { return len(r.bench.told()) == 1 }, 10*time.Second, time.Millisecond)
	assert.Equal(t, "stop passer-by ", r.bench.told()[0])
}
