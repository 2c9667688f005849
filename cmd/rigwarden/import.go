package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/canbus"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/orchestrator/service"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
)

type importFlags struct{ bench, module string }

func (a *app) runImportCmd() *cobra.Command {
	var f importFlags
	c := &cobra.Command{
		Use:   "import LOG",
		Short: "Make a run of a recorded CAN bus",
		Long: `Read a CAN bus that was recorded in candump's log format with the signal map that a
bench file names for its cell monitor, exactly as the driver would have read it, and
store it as a run: to look at, to export, to compute figures from. Channels of
instruments that were not on the bus have no reading. Nothing was commanded and
nothing was guarded, so its verdict is unproven.`,
		Example: `  rigwarden run import bus.log --bench bench.yaml --module KW-01 --store rig.db
  rigwarden run export r000001 --store rig.db --dir export`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return a.importBus(args[0], f) },
	}
	c.Flags().StringVar(&f.bench, "bench", "", "bench file whose monitor speaks on this bus (required)")
	c.Flags().StringVar(&f.module, "module", "", "serial of a registered module, or the file of one to register (required)")
	c.Flags().StringVar(&a.store, "store", "", "store file; no orchestrator may hold it open (required)")
	a.addWho(c)
	for _, n := range []string{"bench", "module", "store"} {
		if err := c.MarkFlagRequired(n); err != nil {
			panic(err)
		}
	}
	return c
}

// imported is the answer of `run import --json`.
type imported struct {
	Run     string        `json:"run"`
	Frames  int           `json:"frames"`
	Span    drivers.Span  `json:"span_us"`
	Bus     canbus.Counts `json:"bus"`
	Notices []string      `json:"notices"`
	// Bad is what the log holds that is no frame; it was left out.
	Bad string `json:"bad,omitempty"`
}

func (a *app) importBus(log string, f importFlags) error {
	bf, err := readBench(f.bench)
	if err != nil {
		return err
	}
	if bf.Monitor.Driver != profiles.DriverCAN || bf.Thermometers != nil {
		return usagef("%s: the monitor is not one on a CAN bus alone; a bench file with driver canbus and no thermometers would be right", bf.name)
	}
	first, last, err := bf.busSpan(log)
	if err != nil {
		return err
	}
	st, err := store.Open(a.store, store.Options{Now: a.clock})
	if err != nil {
		return service.Classify(err)
	}
	defer st.Close()
	plan, err := a.importPlan(bf, st, f.module, last.Sub(first))
	if err != nil {
		return err
	}
	out, err := bf.record(st, plan, log, store.Run{Module: plan.Module, Start: first, Who: a.who})
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(out)
	}
	a.printImported(log, out)
	return nil
}

// readings plays a log as the bench's monitor would have read it.
func (f *benchFile) readings(log string, each func(drivers.Instant, *drivers.MonitorReading) error) (*canbus.Player, error) {
	m, err := f.signals(&f.Monitor.Wire)
	if err != nil {
		return nil, usagef("%w", err)
	}
	r, err := os.Open(log)
	if err != nil {
		return nil, usagef("%w; a path to a candump log would be right", err)
	}
	defer r.Close()
	p, err := canbus.Replay(canbus.ParseCandump(r), m, f.monitor())
	if err != nil {
		return nil, usagef("%w", err)
	}
	for at, reading := range p.Readings() {
		if err := each(at, reading); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// busSpan returns when the first and the last reading of a log were complete.
func (f *benchFile) busSpan(log string) (first, last drivers.Instant, err error) {
	p, err := f.readings(log, func(at drivers.Instant, _ *drivers.MonitorReading) error {
		if first == 0 {
			first = at
		}
		last = at
		return nil
	})
	if err == nil && first == 0 {
		err = errors.Join(usagef("%s holds no complete reading of the monitor; %d frames, %d of them of no message in the signal map", log, p.Counts().Frames, p.Counts().Foreign), p.Err())
	}
	return first, last, err
}

// importPlan is the plan of a run in which nothing is commanded: a rest of the
// log's length, on this bench, with this module's limits.
func (a *app) importPlan(f *benchFile, st *store.Store, serial string, span drivers.Span) (*machine.Plan, error) {
	m, err := a.registered(st, serial)
	if err != nil {
		return nil, err
	}
	seconds := max(1, int64(span/drivers.Second))
	p, ps := profiles.ParseProfile("recorded.yaml", fmt.Appendf(nil, "profile: recorded\ntitle: a recorded bus\nattended: yes\nsteps:\n  - rest: {for: %d s}\n", seconds))
	if len(ps) > 0 {
		return nil, profiles.Error(ps)
	}
	b := *f.Bench
	digests := f.maps()
	for role, w := range b.Wires() {
		w.MapDigest = digests[role]
	}
	plan, ps := profiles.Compile(p, m, &b)
	if len(ps) > 0 {
		return nil, usagef("%s and %s: %w", f.name, serial, profiles.Error(ps))
	}
	return plan, nil
}

// registered returns the module of that serial, or registers the one that a
// file describes.
func (a *app) registered(st *store.Store, arg string) (*profiles.Module, error) {
	if kept, err := st.Module(arg); err == nil {
		m, ps := profiles.ParseModule(arg+".yaml", []byte(kept.Source))
		return m, profiles.Error(ps)
	}
	src, err := readModule(arg)
	if err != nil {
		return nil, err
	}
	m, ps := profiles.ParseModule(src.GetName(), src.GetContent())
	if len(ps) > 0 {
		return nil, usagef("%w", profiles.Error(ps))
	}
	err = st.PutModule(store.Module{Serial: m.Serial, Source: string(src.GetContent()), Digest: m.Digest, Registered: drivers.Instant(a.clock().UnixMicro()), Who: a.who})
	if errors.Is(err, store.ErrExists) {
		return nil, usagef("module %s is registered with another file; --module %s would be right", m.Serial, m.Serial)
	}
	return m, err
}

// record stores a log's readings as a run.
func (f *benchFile) record(st *store.Store, plan *machine.Plan, log string, r store.Run) (*imported, error) {
	canonical, digest, err := profiles.Canonical(plan)
	if err != nil {
		return nil, err
	}
	criteria, err := profiles.LibraryCriteria(service.DefaultCriteria)
	if err != nil {
		return nil, err
	}
	r.Bench, r.Profile, r.Layout, r.Plan, r.PlanDigest, r.Criteria, r.Virtual = f.Name, plan.Profile, &plan.Layout, canonical, digest, string(criteria), true
	rec, err := st.Begin(r)
	if err != nil {
		return nil, service.Classify(err)
	}
	out := &imported{Run: rec.ID(), Notices: []string{}}
	frame := drivers.Frame{Counts: make([]int32, len(plan.Layout.Channels))}
	last := r.Start
	p, err := f.readings(log, func(at drivers.Instant, m *drivers.MonitorReading) error {
		last = at
		out.Frames++
		fill(&frame, &plan.Layout, m)
		frame.At, frame.Seq, frame.Echo = at, uint64(out.Frames), uint64(out.Frames)
		return rec.Frame(&frame)
	})
	if err == nil {
		err = rec.Commit()
	}
	if err == nil {
		err = rec.Finish(machine.OutcomeDone, "recorded on the bus; nothing was commanded or guarded", last)
	}
	if err != nil {
		return nil, service.Classify(err)
	}
	out.Span, out.Bus = last.Sub(r.Start), p.Counts()
	out.Notices = append(out.Notices, p.Notices()...)
	if bad := p.Err(); bad != nil {
		out.Bad = bad.Error()
	}
	return out, nil
}

// fill puts a monitor's reading into a frame in which nothing else was read.
func fill(f *drivers.Frame, l *drivers.Layout, m *drivers.MonitorReading) {
	for i := range f.Counts {
		f.Counts[i] = drivers.NoReading
	}
	n := copy(f.Counts[:l.Cells()], m.Cells)
	copy(f.Counts[n:n+l.Temps()], m.Temps)
	f.Counts[l.Find(drivers.ModuleCurrent)] = m.Current
	f.Counts[l.Find(drivers.MonitorBeat)] = m.Beat
	for k, w := range m.Bleeding {
		f.Counts[l.Bleed(k)] = w
	}
}

// noticesShown bounds how many notices are printed.
const noticesShown = 10

func (a *app) printImported(log string, r *imported) {
	b := r.Bus
	fmt.Fprintf(a.out, "%s: run %s, %d readings over %s\n", log, r.Run, r.Frames, shortSpan(int64(r.Span)))
	fmt.Fprintf(a.out, "the bus: %d frames, %d of other messages; %d wrong checksums, %d repeated, %d lost by their counters,\n%d error frames, %d impossible values, %d incomplete sweeps\n",
		b.Frames, b.Foreign, b.Corrupt, b.Repeated, b.Lost, b.Errors, b.Impossible, b.Incomplete)
	if r.Bad != "" {
		fmt.Fprintf(a.out, "left out: %s\n", r.Bad)
	}
	for i, n := range r.Notices {
		if i == noticesShown {
			fmt.Fprintf(a.out, "and %d notices more\n", len(r.Notices)-i)
			break
		}
		fmt.Fprintf(a.out, "notice: %s\n", n)
	}
	for _, next := range []string{"show " + r.Run, "export " + r.Run + " --taps"} {
		fmt.Fprintf(a.out, "  rigwarden run %s --store %s\n", next, a.store)
	}
}
