package service

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// queueRig is a rig whose queues are worked.
type queueRig struct {
	*rig
	t     *testing.T
	queue rigwardenv1.QueuesClient
	told  chan QueueNotice
}

func newQueueRig(t *testing.T) *queueRig {
	q := &queueRig{rig: newRig(t), t: t, told: make(chan QueueNotice, 32)}
	q.server.QueueTold = func(n QueueNotice) { q.told <- n }
	q.queue = rigwardenv1.NewQueuesClient(q.conn)
	q.bench.begun = make(chan bench.StartRequest, 8)
	q.work(q.server)
	for _, m := range []string{"KW-01", "KW-02"} {
		q.register(t, m)
		q.trust(t, m)
	}
	return q
}

// work works a server's queues until the test ends.
func (q *queueRig) work(s *Server) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); s.Queues(ctx) }()
	q.t.Cleanup(func() { cancel(); <-done })
}

func (q *queueRig) add(module, profile string) *rigwardenv1.Queue {
	q.t.Helper()
	r, err := q.queue.Add(within(q.t), &rigwardenv1.AddQueueRequest{Bench: DefaultBench, Module: module, Who: "technician",
		Profile: &rigwardenv1.Source{Source: &rigwardenv1.Source_Name{Name: profile}}})
	require.NoError(q.t, err)
	return r.GetQueue()
}

func (q *queueRig) list() *rigwardenv1.Queue {
	q.t.Helper()
	r, err := q.queue.List(within(q.t), &rigwardenv1.ListQueuesRequest{Bench: DefaultBench})
	require.NoError(q.t, err)
	require.Len(q.t, r.GetQueues(), 1)
	return r.GetQueues()[0]
}

func (q *queueRig) letGo(connected string) error {
	_, err := q.queue.Go(within(q.t), &rigwardenv1.GoQueueRequest{Bench: DefaultBench, Who: "test engineer", Connected: connected})
	return err
}

func (q *queueRig) answer(module string, link *int64) error {
	_, err := q.queue.Answer(within(q.t), &rigwardenv1.AnswerQueueRequest{Bench: DefaultBench, Who: "technician", Module: module, LinkUv: link})
	return err
}

// begun waits for the run that the bench was given.
func (q *queueRig) begun(module string) bench.StartRequest {
	q.t.Helper()
	select {
	case r := <-q.bench.begun:
		require.Equal(q.t, module, r.Plan.Module)
		return r
	case <-time.After(10 * time.Second):
		require.FailNow(q.t, "no run begins", "%v", q.list())
	}
	return bench.StartRequest{}
}

func (q *queueRig) notice() QueueNotice {
	q.t.Helper()
	select {
	case n := <-q.told:
		return n
	case <-time.After(10 * time.Second):
		require.FailNow(q.t, "nobody is told", "%v", q.list())
	}
	return QueueNotice{}
}

// end ends a run; unsafe is what then stands against touching the bench.
func (q *queueRig) end(r bench.StartRequest, o machine.Outcome, reason, unsafe string) {
	q.t.Helper()
	q.bench.publish(q.picture(r, unsafe))
	r.Finished(bench.Ending{Outcome: o, Reason: reason, At: drivers.Instant(testStart.UnixMicro()).Add(r.Plan.Bench.Monitor.Period)})
}

// picture is a bench at rest after a run; the frame is of now.
func (q *queueRig) picture(r bench.StartRequest, unsafe string) bench.Status {
	f := frame(r, 9, drivers.Instant(testStart.UnixMicro()), 0)
	return bench.Status{Layout: &r.Plan.Layout, Frame: *f, View: machine.View{Phase: machine.PhaseWatching, Step: -1, ImbalancePPM: -1, Unsafe: unsafe}}
}

func (q *queueRig) judged(r bench.StartRequest, v rigwardenv1.Verdict) {
	q.t.Helper()
	_, err := q.runs.PutFigures(within(q.t), &rigwardenv1.PutFiguresRequest{Run: r.Run, Verdict: v, Figures: []byte("{}"), Reasons: []byte("[]"), Digest: "00"})
	require.NoError(q.t, err)
}

func volts(v int64) *int64 { v *= 1_000_000; return &v }

// Two modules, one after the other: nothing begins before a person lets it; runs
// of one module follow by themselves; the next module is asked for only once the
// bench is measured safe to touch, and begins with the serial that was asked for.
func TestAQueueOfTwoModules(t *testing.T) {
	q := newQueueRig(t)
	q.add("KW-01", "storage")
	q.add("KW-01", "storage")
	queue := q.add("KW-02", "storage")
	require.Len(t, queue.GetEntries(), 3)
	assert.Contains(t, queue.GetHeld(), "nobody has let it go")
	assert.Contains(t, wantKind(t, q.answer("KW-01", nil), KindNotRunning).Error(), "asks nobody")

	require.NoError(t, q.letGo("KW-01"))
	one := q.begun("KW-01")
	assert.Equal(t, "test engineer", one.Who)
	_, err := q.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01"})
	assert.Contains(t, wantKind(t, err, KindBusy).Error(), "queue of bench quay-1 is going")
	q.end(one, machine.OutcomeDone, "", "")
	assert.Empty(t, q.bench.begun, "not before the verdict")
	q.judged(one, rigwardenv1.Verdict_VERDICT_UNPROVEN)
	two := q.begun("KW-01")
	q.end(two, machine.OutcomeDone, "", "the link still reads 71.000 V")
	q.judged(two, rigwardenv1.Verdict_VERDICT_PASS)

	// Not asked before the link is down, however long that takes.
	require.Eventually(t, func() bool {
		e := q.list().GetEntries()
		return len(e) == 1 && e[0].GetState() == rigwardenv1.QueueState_QUEUE_STATE_MAKING_SAFE
	}, 10*time.Second, time.Millisecond)
	assert.Contains(t, q.list().GetEntries()[0].GetUnsafe(), "71.000 V")
	assert.Empty(t, q.told)
	q.bench.publish(q.picture(two, ""))
	n := q.notice()
	assert.True(t, n.Asks)
	assert.Regexp(t, `^Outputs read off and the contactors open; the link reads .*\. Module KW-01 itself stays live: .* cannot be switched off\. With insulated tools: disconnect module KW-01, cover its terminals, and connect module KW-02\. Then: rigwarden queue answer quay-1 --module KW-02$`, n.Text)

	assert.Contains(t, wantKind(t, q.answer("KW-01", nil), KindRefused).Error(), "read the serial off the nameplate")
	q.bench.publish(q.picture(two, "the contactors do not read open"))
	assert.Contains(t, wantKind(t, q.answer("KW-02", nil), KindRefused).Error(), "not safe to touch: the contactors")
	assert.Empty(t, q.bench.begun)
	q.bench.publish(q.picture(two, ""))
	require.NoError(t, q.answer("KW-02", nil))
	three := q.begun("KW-02")
	q.end(three, machine.OutcomeDone, "", "")
	q.judged(three, rigwardenv1.Verdict_VERDICT_PASS)
	require.Eventually(t, func() bool { return len(q.list().GetEntries()) == 0 }, 10*time.Second, time.Millisecond)
	assert.False(t, q.list().GetUnstored())
}

// What does not end well holds the queue, and says what to do with the module.
func TestAQueueIsHeldByWhatWentWrong(t *testing.T) {
	for name, c := range map[string]struct {
		outcome machine.Outcome
		verdict rigwardenv1.Verdict
		held    []string
	}{
		"trip":        {machine.OutcomeTripped, 0, []string{"ended tripped: cell 7 over", "quarantine it", "DO NOT CHARGE"}},
		"gave up":     {machine.OutcomeFailed, 0, []string{"ended failed", "Set module KW-01 aside"}},
		"stopped":     {machine.OutcomeStopped, 0, []string{"ended stopped"}},
		"refused":     {machine.OutcomeRefused, 0, []string{"ended refused"}},
		"module fail": {machine.OutcomeDone, rigwardenv1.Verdict_VERDICT_FAIL, []string{"module KW-01: fail by run r000001", "quarantine it", "not to storage level either"}},
		"nearly":      {machine.OutcomeDone, rigwardenv1.Verdict_VERDICT_CONDITIONAL_FAIL, []string{"conditional fail", "Set module KW-01 aside"}},
	} {
		t.Run(name, func(t *testing.T) {
			q := newQueueRig(t)
			q.add("KW-01", "capacity")
			q.add("KW-01", "charge")
			require.NoError(t, q.letGo("KW-01"))
			r := q.begun("KW-01")
			q.end(r, c.outcome, "cell 7 over", "")
			if c.verdict != 0 {
				q.judged(r, c.verdict)
			}
			n := q.notice()
			assert.False(t, n.Asks)
			for _, part := range c.held {
				assert.Contains(t, n.Text, part)
				assert.Contains(t, q.list().GetHeld(), part)
			}
			assert.Len(t, q.list().GetEntries(), 1, "what failed is out, and nothing was put in for it")
			assert.Empty(t, q.bench.begun, "nothing begins")
			require.NoError(t, q.letGo(""))
			q.begun("KW-01") // a person may go on
		})
	}
}

// A module is left at its storage level before the next one, and at the end; one
// whose last run ends there already is not brought there twice.
func TestAQueueLeavesModulesAtStorageLevel(t *testing.T) {
	q := newQueueRig(t)
	q.add("KW-01", "charge")
	q.add("KW-02", "storage")
	require.NoError(t, q.letGo("KW-01"))
	r := q.begun("KW-01")
	q.end(r, machine.OutcomeDone, "", "")
	q.judged(r, rigwardenv1.Verdict_VERDICT_UNPROVEN)
	s := q.begun("KW-01")
	assert.Equal(t, "storage", s.Plan.Profile)
	assert.True(t, q.list().GetEntries()[0].GetAutomatic())
	assert.True(t, q.list().GetUnstored())
	q.end(s, machine.OutcomeDone, "", "")
	q.judged(s, rigwardenv1.Verdict_VERDICT_UNPROVEN)
	assert.Contains(t, q.notice().Text, "connect module KW-02")
	assert.False(t, q.list().GetUnstored())
}

// First checks are enforced before the module that was connected may energise.
func TestAQueueEnergisesNoModuleThatNobodyChecked(t *testing.T) {
	q := newQueueRig(t)
	q.register(t, "KW-03")
	q.add("KW-03", "charge")
	q.add("KW-01", "charge")
	require.NoError(t, q.letGo(""))
	n := q.notice()
	assert.Contains(t, n.Text, "measure the link with a meter before anybody touches it")
	wantKind(t, q.answer("KW-03", nil), KindRefused)
	wantKind(t, q.answer("KW-03", volts(60)), KindRefused)
	assert.Contains(t, wantKind(t, q.answer("KW-03", volts(0)), KindRefused).Error(), "no first-voltage check was made")
	assert.Empty(t, q.bench.begun)
	q.trust(t, "KW-03")
	require.NoError(t, q.letGo(""))
	q.begun("KW-03")
}

// A step for a person alone begins nothing, and the queue goes on behind it.
func TestAQueueAsksForAStep(t *testing.T) {
	q := newQueueRig(t)
	_, err := q.queue.Add(within(t), &rigwardenv1.AddQueueRequest{Bench: DefaultBench, Ask: "fit the\nfan", Who: "technician"})
	require.NoError(t, err)
	q.add("KW-01", "charge")
	require.NoError(t, q.letGo("KW-01"))
	assert.Contains(t, q.notice().Text, "With insulated tools: fit the fan. Then: rigwarden queue answer quay-1 --link")
	assert.Empty(t, q.bench.begun)
	require.NoError(t, q.answer("", volts(1)))
	q.begun("KW-01")
}

// Entries are moved and removed until they begin; the audit trail has it all.
func TestAQueueIsPutInOrder(t *testing.T) {
	q := newQueueRig(t)
	for _, p := range []string{"charge", "pulses", "storage"} {
		q.add("KW-01", p)
	}
	move := func(id string, place uint32) error {
		_, err := q.queue.Move(within(t), &rigwardenv1.MoveQueueRequest{Bench: DefaultBench, Id: id, Place: place, Who: "technician"})
		return err
	}
	remove := func(id string) error {
		_, err := q.queue.Remove(within(t), &rigwardenv1.RemoveQueueRequest{Bench: DefaultBench, Id: id, Who: "technician"})
		return err
	}
	ids := func() (out []string) {
		for _, e := range q.list().GetEntries() {
			out = append(out, e.GetId())
		}
		return out
	}
	require.NoError(t, move("q0003", 1))
	assert.Equal(t, []string{"q0003", "q0001", "q0002"}, ids())
	wantKind(t, move("q0003", 4), KindInvalid)
	wantKind(t, move("q0003", 0), KindInvalid)
	wantKind(t, move("q0009", 1), KindNotFound)
	require.NoError(t, remove("q0001"))
	require.NoError(t, q.letGo("KW-01"))
	q.begun("KW-01")
	wantKind(t, remove("q0003"), KindBusy)
	wantKind(t, move("q0003", 1), KindBusy)
	wantKind(t, move("q0002", 2), KindInvalid)
	require.NoError(t, move("q0002", 1))
	assert.Equal(t, []string{"q0003", "q0002"}, ids())
	var trail []string
	require.NoError(t, q.store.Audit(func(a store.Audit) error {
		trail = append(trail, a.What)
		return nil
	}))
	assert.Subset(t, trail, []string{"queue add", "queue move", "queue remove", "queue go", "queue begin"})
	_, err := q.queue.Add(within(t), &rigwardenv1.AddQueueRequest{Bench: DefaultBench, Module: "KW-09"})
	wantKind(t, err, KindNotFound)
	_, err = q.queue.Hold(within(t), &rigwardenv1.HoldQueueRequest{Bench: DefaultBench, Who: "passer-by", Reason: "smoke test today"})
	require.NoError(t, err)
	assert.Equal(t, "by passer-by: smoke test today", q.list().GetHeld())
}

// INV-06: whoever serves the store next finds the queue held, whatever it did.
func TestAQueueIsHeldAfterAStart(t *testing.T) {
	q := newQueueRig(t)
	q.add("KW-01", "charge")
	q.add("KW-01", "storage")
	require.NoError(t, q.letGo("KW-01"))
	r := q.begun("KW-01")

	again := New(q.server.Config)
	q.work(again)
	next := serveServer(t, again)
	got, err := rigwardenv1.NewQueuesClient(next.conn).List(within(t), &rigwardenv1.ListQueuesRequest{})
	require.NoError(t, err)
	found := got.GetQueues()[0]
	assert.Contains(t, found.GetHeld(), "run "+r.Run+" (charge.yaml for KW-01) was under way")
	assert.Contains(t, found.GetHeld(), "nothing energises by itself")
	assert.Empty(t, found.GetConnected(), "somebody may have changed it")
	require.Len(t, found.GetEntries(), 1)
	assert.Equal(t, "storage.yaml", found.GetEntries()[0].GetProfile())
	assert.Empty(t, q.bench.begun)
}

// Going on and answering are for somebody at the machine.
func TestAQueueGoesOnFromTheMachineOnly(t *testing.T) {
	q := newQueueRig(t)
	q.add("KW-01", "charge")
	port, socket := q.over(t)
	far := rigwardenv1.NewQueuesClient(port.conn)
	_, err := far.Go(within(t), &rigwardenv1.GoQueueRequest{Bench: DefaultBench, Who: "passer-by", Connected: "KW-01"})
	assert.Contains(t, wantKind(t, err, KindRefused).Error(), "local enable")
	_, err = far.Answer(within(t), &rigwardenv1.AnswerQueueRequest{Bench: DefaultBench, Who: "passer-by", Module: "KW-01"})
	assert.Contains(t, wantKind(t, err, KindRefused).Error(), "local enable")
	_, err = rigwardenv1.NewQueuesClient(socket.conn).Go(within(t), &rigwardenv1.GoQueueRequest{Bench: DefaultBench, Connected: "KW-01"})
	wantKind(t, err, KindInvalid) // nobody's name
	_, err = rigwardenv1.NewQueuesClient(socket.conn).Go(within(t), &rigwardenv1.GoQueueRequest{Bench: DefaultBench, Who: "technician", Connected: "KW-01"})
	require.NoError(t, err)
	q.begun("KW-01")

	// Nor does anybody elsewhere put in, or bring forward, what then begins by itself.
	q.add("KW-01", "pulses")
	add := &rigwardenv1.AddQueueRequest{Bench: DefaultBench, Module: "KW-01", Who: "passer-by"}
	_, err = far.Add(within(t), add)
	assert.Contains(t, wantKind(t, err, KindRefused).Error(), "changing a queue that goes on bench quay-1 needs a local enable")
	_, err = far.Remove(within(t), &rigwardenv1.RemoveQueueRequest{Bench: DefaultBench, Id: "q0002"})
	wantKind(t, err, KindRefused)
	_, err = far.Move(within(t), &rigwardenv1.MoveQueueRequest{Bench: DefaultBench, Id: "q0002", Place: 1})
	wantKind(t, err, KindRefused)
	_, err = far.Hold(within(t), &rigwardenv1.HoldQueueRequest{Bench: DefaultBench, Who: "passer-by"})
	require.NoError(t, err, "holding, as stopping, is anybody's (INV-13)")
	_, err = far.Add(within(t), add)
	require.NoError(t, err, "whoever lets it go sees it first")
}
