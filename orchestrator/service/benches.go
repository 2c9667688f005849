package service

import (
	"context"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/bench"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

type benchService struct {
	rigwardenv1.UnimplementedBenchesServer
	s *Server
}

func (b benchService) List(context.Context, *rigwardenv1.ListBenchesRequest) (*rigwardenv1.ListBenchesResponse, error) {
	out := &rigwardenv1.ListBenchesResponse{}
	for _, served := range b.s.Benches {
		st := served.Bench.Status()
		out.Benches = append(out.Benches, statusToProto(&st))
	}
	return out, nil
}

func (b benchService) Get(ctx context.Context, r *rigwardenv1.GetBenchRequest) (*rigwardenv1.GetBenchResponse, error) {
	served, err := b.s.bench(r.GetBench())
	if err != nil {
		return nil, err
	}
	st := served.Bench.Status()
	out := &rigwardenv1.GetBenchResponse{Status: statusToProto(&st)}
	if f, ps := profiles.ParseBench(served.File, served.Text); len(ps) == 0 && f != nil {
		for _, role := range [...]string{"monitor", "supply", "load", "box", "meter"} {
			w := f.Wires()[role]
			if served.Virtual {
				w = &drivers.Wire{Driver: profiles.DriverVirtual}
			}
			out.Instruments = append(out.Instruments, &rigwardenv1.Instrument{Role: role, Driver: w.Driver, Address: w.Address})
		}
	}
	t, ok := served.Bench.(safeguarded)
	if !ok {
		return out, nil
	}
	safety, ok, err := t.Safety(ctx)
	if err != nil {
		return nil, err
	}
	if ok {
		out.Safety = SafetyToProto(&safety)
	}
	return out, nil
}

// safeguarded is a bench that can tell what takes its energy off.
type safeguarded interface {
	Safety(ctx context.Context) (s bench.Safety, ok bool, err error)
}

// SafetyToProto puts what a bench tells of its safety into the wire's words.
func SafetyToProto(s *bench.Safety) *rigwardenv1.Safety {
	out := &rigwardenv1.Safety{LeaseUs: int64(s.Lease), PeriodUs: int64(s.Period), SchedulingUs: int64(s.Scheduling)}
	for _, p := range s.Paths {
		w := &rigwardenv1.FaultPath{Fault: p.Fault, Acts: p.Acts}
		if p.Bounded {
			worst := int64(p.Worst)
			w.WorstUs = &worst
		}
		for _, l := range p.Legs {
			w.Legs = append(w.Legs, &rigwardenv1.PathLeg{Name: l.Name, TimeUs: int64(l.Time)})
		}
		out.Paths = append(out.Paths, w)
	}
	for _, p := range s.Proofs {
		out.Proofs = append(out.Proofs, &rigwardenv1.SilenceProof{Role: p.Role.String(), TimeoutUs: int64(p.Timeout),
			Proven: p.Proven, TookUs: int64(p.Took), AtUs: int64(p.At), Why: p.Why})
	}
	return out
}

// periodMax bounds how slowly a client may ask to be told.
const periodMax = time.Minute

func (b benchService) Watch(r *rigwardenv1.WatchBenchRequest, out rigwardenv1.Benches_WatchServer) error {
	served, err := b.s.bench(r.GetBench())
	if err != nil {
		return err
	}
	period := min(time.Duration(max(r.GetPeriodUs(), 0))*time.Microsecond, periodMax)
	updates, end := served.Bench.Subscribe()
	defer end()
	st := served.Bench.Status()
	for {
		if err := out.Send(&rigwardenv1.WatchBenchResponse{Status: statusToProto(&st)}); err != nil {
			return err
		}
		if err := pause(out.Context(), period); err != nil {
			return err
		}
		select {
		case next, ok := <-updates:
			if !ok {
				return nil
			}
			st = next
		case <-out.Context().Done():
			return out.Context().Err()
		}
	}
}

// pause waits, or ends with the context.
func pause(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

var phases = map[machine.Phase]rigwardenv1.Phase{
	machine.PhaseIdle:     rigwardenv1.Phase_PHASE_IDLE,
	machine.PhaseArming:   rigwardenv1.Phase_PHASE_ARMING,
	machine.PhaseRunning:  rigwardenv1.Phase_PHASE_RUNNING,
	machine.PhasePausing:  rigwardenv1.Phase_PHASE_PAUSING,
	machine.PhasePaused:   rigwardenv1.Phase_PHASE_PAUSED,
	machine.PhaseAsking:   rigwardenv1.Phase_PHASE_ASKING,
	machine.PhaseStopping: rigwardenv1.Phase_PHASE_STOPPING,
	machine.PhaseTripped:  rigwardenv1.Phase_PHASE_TRIPPED,
	machine.PhaseLatched:  rigwardenv1.Phase_PHASE_LATCHED,
	machine.PhaseWatching: rigwardenv1.Phase_PHASE_WATCHING,
}

// statusToProto puts a status into the wire's words. What gave no reading stays
// absent (INV-02).
func statusToProto(st *bench.Status) *rigwardenv1.BenchStatus {
	v := &st.View
	m := &rigwardenv1.BenchStatus{
		Bench: st.Bench, Phase: phases[v.Phase], Run: v.Run, Module: st.Module, AtUs: int64(v.At),
		Step: v.Label, Kind: v.Kind, Stage: v.Stage, Pass: uint32(max(v.Pass, 0)),
		StepSpanUs: int64(v.StepSpan), StepLeftUs: int64(v.StepLeft),
		RunSpanUs: int64(v.RunSpan), RunLeftUs: int64(v.RunLeft),
		StepChargeNc: int64(v.Charge), StepEnergyUj: int64(v.Energy),
		CommandedUa: commanded(v),
		Closed:      v.Contactors&drivers.BoxPositive != 0,
		Latched:     st.Latched, Cause: v.Cause, ToZeroUs: int64(v.ToZero),
		LeaseUs: int64(st.Lease), LeaseLeftUs: int64(st.LeaseLeft), Skipped: st.Lost,
	}
	if v.ImbalancePPM >= 0 && v.Run != "" {
		m.ImbalancePpm, m.Balance = &v.ImbalancePPM, balanceToProto(&v.Balance)
	}
	if st.Layout != nil && len(st.Frame.Counts) == len(st.Layout.Channels) {
		measured(m, st.Layout, &st.Frame)
	}
	return m
}

func balanceToProto(b *machine.Balance) *rigwardenv1.Balance {
	m := &rigwardenv1.Balance{
		UncertaintyPpm: b.UncertaintyPPM, LeftNc: int64(b.Left), NeedUs: int64(b.Need),
		SpreadUv: int64(b.Spread), SpreadTelling: b.Telling,
	}
	for i, e := range b.Excess {
		c := &rigwardenv1.CellBalance{ExcessNc: int64(e)}
		if i < len(b.Doubts) && b.Doubts[i] >= 0 {
			d := int64(b.Doubts[i])
			c.UncertaintyNc = &d
		}
		if i < len(b.CellsLeft) {
			c.LeftNc = int64(b.CellsLeft[i])
		}
		m.Cells = append(m.Cells, c)
	}
	return m
}

func commanded(v *machine.View) int64 {
	switch v.Direction {
	case machine.Charging:
		return int64(v.Current)
	case machine.Discharging:
		return -int64(v.Current)
	}
	return 0
}

// measured fills in what the frame says.
func measured(m *rigwardenv1.BenchStatus, l *drivers.Layout, f *drivers.Frame) {
	read := func(i int) *int64 {
		if i < 0 || f.Counts[i] == drivers.NoReading {
			return nil
		}
		v := l.Channels[i].Scale.Value(f.Counts[i])
		return &v
	}
	m.VoltageUv = read(l.Find(drivers.ModuleVoltage))
	m.CurrentUa = read(l.Find(drivers.ModuleCurrent))
	m.LinkUv = read(l.Find(drivers.LinkVoltage))
	for i := range l.Cells() {
		v := read(l.Cell(i))
		m.Cells = append(m.Cells, &rigwardenv1.Reading{Value: v, Bleeding: bleeding(l, f, i)})
		extremes(v, i, &m.CellHighUv, &m.CellHigh, &m.CellLowUv, &m.CellLow)
	}
	for i := range l.Temps() {
		v := read(l.Temp(i))
		m.Temperatures = append(m.Temperatures, &rigwardenv1.Reading{Value: v})
		extremes(v, i, &m.TempHighMk, &m.TempHigh, &m.TempLowMk, &m.TempLow)
	}
}

func bleeding(l *drivers.Layout, f *drivers.Frame, cell int) bool {
	i := l.Bleed(cell / 16)
	return i >= 0 && f.Counts[i] != drivers.NoReading && f.Counts[i]>>(cell%16)&1 == 1
}

// extremes keeps the highest and lowest value and who has it, from one.
func extremes(v *int64, i int, high **int64, highAt *uint32, low **int64, lowAt *uint32) {
	if v == nil {
		return
	}
	if *high == nil || *v > **high {
		*high, *highAt = v, uint32(i)+1
	}
	if *low == nil || *v < **low {
		*low, *lowAt = v, uint32(i)+1
	}
}
