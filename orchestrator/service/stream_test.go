package service

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Lines that share a number and become durable one by one arrive once each and
// in order, and a followed stream ends with the run.
func TestFollowedEventsArriveOnceAndEndWithTheRun(t *testing.T) {
	r := newRig(t)
	run, req := r.start(t)
	st, err := r.runs.Events(within(t), &rigwardenv1.RunEventsRequest{Run: run.GetId(), Follow: true})
	require.NoError(t, err)
	at := drivers.Instant(testStart.UnixMicro())
	var want []string
	write := func(seq uint64, n int) {
		for i := range n {
			line := fmt.Sprintf("record kind=\"note\" text=\"%d/%d/%d\"", seq, n, i)
			require.NoError(t, req.Journal.Line(seq, at, line))
			want = append(want, line)
		}
		require.NoError(t, req.Journal.Commit())
	}
	var got []string
	read := func() {
		for len(got) < len(want) {
			m, err := st.Recv()
			require.NoError(t, err)
			assert.LessOrEqual(t, len(m.GetLines()), linesMax)
			for _, l := range m.GetLines() {
				got = append(got, l.GetLine())
			}
		}
		assert.Equal(t, want, got)
	}
	write(1, 3)
	read()
	write(1, 2) // more of the same number
	read()
	write(2, 1)
	write(3, 1500) // more than two messages
	read()
	req.Finished(bench.Ending{Outcome: machine.OutcomeDone, At: at})
	_, err = st.Recv()
	assert.ErrorIs(t, err, io.EOF)
	assert.Equal(t, want, got)
}

// What a reader gets is what was recorded, frames before the lines that they
// caused.
func TestReaderMergesFramesAndLines(t *testing.T) {
	r := newRig(t)
	run, req := r.start(t)
	start := drivers.Instant(testStart.UnixMicro())
	require.NoError(t, req.Journal.Line(1, start, "start run=\"x\""))
	const frames = 3000
	for i := range uint64(frames) {
		seq := 2 + 2*i
		at := start.Add(drivers.Span(i) * 100 * drivers.Millisecond)
		require.NoError(t, req.Journal.Frame(frame(req, seq, at, int32(i))))
		if i%1000 == 500 {
			require.NoError(t, req.Journal.Line(seq, at, fmt.Sprintf("note after frame %d", i)))
			require.NoError(t, req.Journal.Line(seq+1, at, fmt.Sprintf("note between %d and %d", i, i+1)))
			require.NoError(t, req.Journal.Commit())
		}
	}
	end := start.Add(frames * 100 * drivers.Millisecond)
	req.Finished(bench.Ending{Outcome: machine.OutcomeDone, At: end})

	rd, err := Open(within(t), r.runs, run.GetId())
	require.NoError(t, err)
	defer rd.Close()
	var seen int32
	var lines []string
	for last := uint64(0); ; {
		it, err := rd.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		require.GreaterOrEqual(t, it.Seq, last)
		last = it.Seq
		if it.Frame == nil {
			lines = append(lines, fmt.Sprintf("%d frames, then %s", seen, it.Line))
			continue
		}
		require.Equal(t, seen, it.Frame.Counts[0])
		require.Equal(t, seen, it.Frame.Counts[len(it.Frame.Counts)-1])
		seen++
	}
	assert.Equal(t, int32(frames), seen)
	assert.Equal(t, []string{
		`0 frames, then start run="x"`,
		"501 frames, then note after frame 500", "501 frames, then note between 500 and 501",
		"1501 frames, then note after frame 1500", "1501 frames, then note between 1500 and 1501",
		"2501 frames, then note after frame 2500", "2501 frames, then note between 2500 and 2501",
	}, lines)

	// A window brings the frames in it, and few others.
	st, err := r.runs.Frames(within(t), &rigwardenv1.RunFramesRequest{Run: run.GetId(), FromUs: int64(start), ToUs: int64(start) + 1})
	require.NoError(t, err)
	m, err := st.Recv()
	require.NoError(t, err)
	assert.NotEmpty(t, m.GetBlock())
}

func TestFiguresAreKeptOnce(t *testing.T) {
	r := newRig(t)
	run, req := r.start(t)
	put := func(v rigwardenv1.Verdict, figures string) error {
		_, err := r.runs.PutFigures(within(t), &rigwardenv1.PutFiguresRequest{Run: run.GetId(), Verdict: v, Figures: []byte(figures), Reasons: []byte(`{}`), Digest: "d"})
		return err
	}
	wantKind(t, put(rigwardenv1.Verdict_VERDICT_PASS, `{}`), KindBusy) // still under way
	req.Finished(bench.Ending{Outcome: machine.OutcomeDone, At: drivers.Instant(testStart.UnixMicro())})
	wantKind(t, put(rigwardenv1.Verdict_VERDICT_UNSPECIFIED, `{}`), KindInvalid)
	require.NoError(t, put(rigwardenv1.Verdict_VERDICT_CONDITIONAL_PASS, `{"module":"KW-01"}`))
	require.NoError(t, put(rigwardenv1.Verdict_VERDICT_CONDITIONAL_PASS, `{"module":"KW-01"}`))
	wantKind(t, put(rigwardenv1.Verdict_VERDICT_PASS, `{"module":"KW-01"}`), KindRefused)
	got, err := r.runs.Get(within(t), &rigwardenv1.GetRunRequest{Run: run.GetId()})
	require.NoError(t, err)
	assert.Equal(t, rigwardenv1.Verdict_VERDICT_CONDITIONAL_PASS, got.GetRun().GetVerdict())
	assert.JSONEq(t, `{"module":"KW-01"}`, string(got.GetFigures()))
}

func TestRunsAreListedNewestFirstInPages(t *testing.T) {
	r := newRig(t)
	r.register(t, "KW-01")
	r.trust(t, "KW-01")
	for range 5 {
		r.bench.publish(bench.Status{View: machine.View{Phase: machine.PhaseIdle}})
		got, err := r.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01"})
		require.NoError(t, err)
		r.bench.started[len(r.bench.started)-1].Finished(bench.Ending{Outcome: machine.OutcomeDone, At: drivers.Instant(testStart.UnixMicro())})
		assert.Equal(t, got.GetRun().GetId(), <-r.ended)
	}
	var ids []string
	for before, more := "", true; more; {
		page, err := r.runs.List(within(t), &rigwardenv1.ListRunsRequest{Limit: 2, Before: before})
		require.NoError(t, err)
		for _, run := range page.GetRuns() {
			ids = append(ids, run.GetId())
		}
		before, more = ids[len(ids)-1], page.GetMore()
	}
	assert.Equal(t, []string{"r000005", "r000004", "r000003", "r000002", "r000001"}, ids)
	page, err := r.runs.List(within(t), &rigwardenv1.ListRunsRequest{Module: "KW-02"})
	require.NoError(t, err)
	assert.Empty(t, page.GetRuns())
}

// INV-02: what gave no reading is absent, not zero.
func TestWatchShowsTheLatestAndNoReadingAsAbsent(t *testing.T) {
	r := newRig(t)
	_, req := r.start(t)
	st, err := r.benches.Watch(within(t), &rigwardenv1.WatchBenchRequest{Bench: DefaultBench})
	require.NoError(t, err)
	m, err := st.Recv()
	require.NoError(t, err)
	assert.Equal(t, rigwardenv1.Phase_PHASE_ARMING, m.GetStatus().GetPhase())
	assert.Nil(t, m.GetStatus().VoltageUv)

	l := &req.Plan.Layout
	f := frame(req, 9, 1, drivers.NoReading)
	f.Counts[l.Cell(3)] = 33_000
	f.Counts[l.Cell(7)] = 32_000
	f.Counts[l.Bleed(0)] = 1 << 3
	r.bench.publish(bench.Status{
		View:   machine.View{Phase: machine.PhaseRunning, Run: "r000001", Direction: machine.Discharging, Current: 20 * drivers.Ampere, ImbalancePPM: -1},
		Layout: l, Frame: *f, Lost: 4,
	})
	m, err = st.Recv()
	require.NoError(t, err)
	s := m.GetStatus()
	assert.Equal(t, int64(-20_000_000), s.GetCommandedUa())
	assert.Nil(t, s.VoltageUv)
	assert.Nil(t, s.CurrentUa)
	assert.Nil(t, s.TempHighMk)
	assert.Nil(t, s.ImbalancePpm)
	assert.Equal(t, uint64(4), s.GetSkipped())
	assert.Equal(t, uint32(4), s.GetCellHigh())
	assert.Equal(t, l.Channels[3].Scale.Value(33_000), s.GetCellHighUv())
	assert.Equal(t, uint32(8), s.GetCellLow())
	require.Len(t, s.GetCells(), 24)
	assert.Nil(t, s.GetCells()[0].Value)
	assert.True(t, s.GetCells()[3].GetBleeding())
	assert.False(t, s.GetCells()[7].GetBleeding())

	_, err = r.benches.Get(within(t), &rigwardenv1.GetBenchRequest{Bench: "elsewhere"})
	wantKind(t, err, KindNotFound)
	got, err := r.benches.Get(within(t), &rigwardenv1.GetBenchRequest{Bench: DefaultBench})
	require.NoError(t, err)
	require.Len(t, got.GetInstruments(), 5)
	assert.Equal(t, "virtual", got.GetInstruments()[0].GetDriver())
}

func TestAStoreByItselfIsReadOnly(t *testing.T) {
	r := newRig(t)
	r.register(t, "KW-01")
	s := serve(t, Config{Store: r.store, ReadOnly: true})
	got, err := s.modules.List(within(t), &rigwardenv1.ListModulesRequest{})
	require.NoError(t, err)
	assert.Len(t, got.GetModules(), 1)
	_, err = s.modules.Register(within(t), &rigwardenv1.RegisterModuleRequest{File: &rigwardenv1.SourceFile{Name: "a", Content: []byte("module: A\n")}})
	wantKind(t, err, KindReadOnly)
	_, err = s.runs.Start(within(t), &rigwardenv1.StartRunRequest{Bench: DefaultBench, Module: "KW-01"})
	wantKind(t, err, KindReadOnly)
	_, err = serve(t, Config{}).modules.List(within(t), &rigwardenv1.ListModulesRequest{})
	wantKind(t, err, KindRefused)
}

func TestACheckTellsEveryMistakeOrThePreview(t *testing.T) {
	s := serve(t, Config{})
	name := func(n string) *rigwardenv1.Source {
		return &rigwardenv1.Source{Source: &rigwardenv1.Source_Name{Name: n}}
	}
	got, err := s.profiles.Check(within(t), &rigwardenv1.CheckProfileRequest{Profile: name("qualify"), Module: name("KW-01")})
	require.NoError(t, err)
	assert.Empty(t, got.GetProblems())
	v := got.GetPreview()
	assert.Greater(t, v.GetSpanUs(), int64(24*drivers.Hour), "the shipped profile takes more than a day")
	assert.Less(t, v.GetCellMaxUv()+v.GetAllowanceCellUv(), int64(3_650_001), "INV-12: working limit plus allowance stay inside the maker's")
	bad := &rigwardenv1.Source{Source: &rigwardenv1.Source_File{File: &rigwardenv1.SourceFile{Name: "bad.yaml", Content: []byte("profile: bad\nsteps:\n  - charge: {curent: 20 A}\n  - sleep: 5 min\n")}}}
	got, err = s.profiles.Check(within(t), &rigwardenv1.CheckProfileRequest{Profile: bad, Module: name("KW-01")})
	require.NoError(t, err)
	assert.Nil(t, got.GetPreview())
	assert.GreaterOrEqual(t, len(got.GetProblems()), 2)
	_, err = s.profiles.Check(within(t), &rigwardenv1.CheckProfileRequest{Profile: name("qualify")})
	wantKind(t, err, KindInvalid)
	list, err := s.profiles.List(within(t), &rigwardenv1.ListProfilesRequest{})
	require.NoError(t, err)
	for _, e := range list.GetEntries() {
		assert.NotEmpty(t, e.GetAbout(), e.GetName())
	}
}

// A status tells each cell's share of the balance; a bound has no uncertainty.
func TestBalanceOnTheWire(t *testing.T) {
	m := balanceToProto(&machine.Balance{
		UncertaintyPPM: 400, Left: 7, Need: 9, Spread: 5, Telling: true,
		Excess: []drivers.Charge{0, 30}, Doubts: []drivers.Charge{4, -1}, CellsLeft: []drivers.Charge{0, 7},
	})
	assert.EqualValues(t, 400, m.GetUncertaintyPpm())
	assert.EqualValues(t, 7, m.GetLeftNc())
	assert.EqualValues(t, 9, m.GetNeedUs())
	assert.EqualValues(t, 5, m.GetSpreadUv())
	assert.True(t, m.GetSpreadTelling())
	require.Len(t, m.GetCells(), 2)
	require.NotNil(t, m.GetCells()[0].UncertaintyNc)
	assert.EqualValues(t, 4, m.GetCells()[0].GetUncertaintyNc())
	assert.EqualValues(t, 30, m.GetCells()[1].GetExcessNc())
	assert.Nil(t, m.GetCells()[1].UncertaintyNc)
	assert.EqualValues(t, 7, m.GetCells()[1].GetLeftNc())
}
