package service

import (
	"net"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// over serves the rig's own server at a port and at a socket, as an orchestrator
// does that listens to both, and returns a client of each.
func (r *rig) over(t *testing.T) (port, socket *session) {
	t.Helper()
	g := r.server.GRPC()
	t.Cleanup(g.Stop)
	client := func(network, address, target string) *session {
		l, err := net.Listen(network, address)
		require.NoError(t, err)
		go g.Serve(l)
		if target == "" {
			target = "passthrough:///" + l.Addr().String()
		}
		conn, err := grpc.NewClient(target, grpc.WithTransportCredentials(insecure.NewCredentials()))
		require.NoError(t, err)
		t.Cleanup(func() { conn.Close() })
		return sessionOn(conn)
	}
	path := filepath.Join(t.TempDir(), "s")
	return client("tcp", "127.0.0.1:0", ""), client("unix", path, "unix:"+path)
}

// Nor does anybody there store a verdict: one that is false would stay, and a queue
// would go on by it.
func TestAPortStoresNoVerdict(t *testing.T) {
	r := newRig(t)
	rec, err := r.store.Begin(store.Run{Bench: DefaultBench, Module: "KW-01", Profile: "charge", Layout: &drivers.Layout{Channels: []drivers.Channel{{Kind: drivers.ModuleVoltage, Scale: drivers.Scale{Num: 1000, Den: 1}}}}, Plan: []byte("{}"), Start: 1, Virtual: true})
	require.NoError(t, err)
	require.NoError(t, rec.Finish(machine.OutcomeDone, "", 2))
	port, socket := r.over(t)
	q := &rigwardenv1.PutFiguresRequest{Run: rec.ID(), Verdict: rigwardenv1.Verdict_VERDICT_PASS, Figures: []byte("{}"), Reasons: []byte("[]"), Digest: "00"}
	_, err = port.runs.PutFigures(within(t), q)
	assert.Contains(t, wantKind(t, err, KindRefused).Error(), "not over tcp")
	_, err = r.store.Figures(rec.ID())
	require.ErrorIs(t, err, store.ErrNotFound)
	_, err = socket.runs.PutFigures(within(t), q)
	require.NoError(t, err)
}

// Nobody who speaks over a port energises anything by himself, or enables it; with
// an enable from the machine one command gets through, and no second one.
func TestAPortEnergisesNothingByItself(t *testing.T) {
	r := newRig(t)
	r.register(t, "KW-01")
	r.trust(t, "KW-01")
	port, socket := r.over(t)
	start := func(s *session) (*rigwardenv1.StartRunResponse, error) {
		return s.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01", Who: "passer-by"})
	}
	_, err := start(port)
	assert.Contains(t, wantKind(t, err, KindRefused).Error(), "rigwarden bench enable quay-1")
	_, err = port.benches.Enable(within(t), &rigwardenv1.EnableBenchRequest{Bench: DefaultBench, Who: "passer-by"})
	wantKind(t, err, KindRefused)
	require.Empty(t, r.bench.started)

	got, err := socket.benches.Enable(within(t), &rigwardenv1.EnableBenchRequest{Bench: DefaultBench, Who: "test engineer"})
	require.NoError(t, err)
	assert.Equal(t, testStart.Add(10*time.Minute).UnixMicro(), got.GetUntilUs())
	begun, err := start(port)
	require.NoError(t, err)
	run := begun.GetRun().GetId()
	var trail []string
	require.NoError(t, r.store.Audit(func(a store.Audit) error {
		trail = append(trail, a.What+" by "+a.Who)
		return nil
	}))
	assert.Contains(t, trail, "enable by test engineer")

	// The one command was had: nothing that may energise goes on from elsewhere.
	for _, v := range []rigwardenv1.Verb{rigwardenv1.Verb_VERB_RESUME, rigwardenv1.Verb_VERB_CONFIRM, rigwardenv1.Verb_VERB_ACKNOWLEDGE} {
		_, err = port.runs.Command(within(t), &rigwardenv1.CommandRunRequest{Run: run, Verb: v, Who: "passer-by", Reason: "why not"})
		wantKind(t, err, KindRefused)
		_, err = socket.runs.Command(within(t), &rigwardenv1.CommandRunRequest{Run: run, Verb: v, Who: "technician", Reason: "looked at"})
		require.NoError(t, err, v)
	}
	// Whoever can see a run can stop it (INV-13), and pause it.
	for _, v := range []rigwardenv1.Verb{rigwardenv1.Verb_VERB_PAUSE, rigwardenv1.Verb_VERB_STOP} {
		_, err = port.runs.Command(within(t), &rigwardenv1.CommandRunRequest{Run: run, Verb: v, Who: "passer-by"})
		require.NoError(t, err, v)
	}
	assert.Len(t, r.bench.told(), 5)
}

// An enable is over when its time is, and stays where its command came to nothing.
func TestAnEnableHoldsForItsTime(t *testing.T) {
	r := newRig(t)
	r.register(t, "KW-01")
	port, socket := r.over(t)
	enable := func(us int64) error {
		_, err := socket.benches.Enable(within(t), &rigwardenv1.EnableBenchRequest{Bench: DefaultBench, Who: "test engineer", ForUs: us})
		return err
	}
	start := func() error {
		_, err := port.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01"})
		return err
	}
	wantKind(t, enable(time.Hour.Microseconds()+1), KindInvalid)
	wantKind(t, enable(-1), KindInvalid)
	require.NoError(t, enable(time.Minute.Microseconds()))
	assert.Contains(t, wantKind(t, start(), KindRefused).Error(), "not to be energised yet", "no first checks: the enable came to nothing")
	r.trust(t, "KW-01")
	r.wait(time.Minute)
	assert.Contains(t, wantKind(t, start(), KindRefused).Error(), "local enable", "its time is over")
	require.NoError(t, enable(time.Minute.Microseconds()))
	r.wait(time.Minute - time.Microsecond)
	require.NoError(t, start())
	_, err := socket.benches.Enable(within(t), &rigwardenv1.EnableBenchRequest{Bench: DefaultBench})
	wantKind(t, err, KindInvalid)
	_, err = socket.benches.Enable(within(t), &rigwardenv1.EnableBenchRequest{Bench: "nowhere", Who: "test engineer"})
	wantKind(t, err, KindNotFound)
}

// What has no peer, or one that is not known, is not at the machine.
func TestWhoIsNotKnownIsNotLocal(t *testing.T) {
	_, local := isLocal(t.Context())
	assert.False(t, local)
}
