package service

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/firstcheck"
	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

type checkService struct {
	rigwardenv1.UnimplementedChecksServer
	s *Server
}

// Make judges readings here, by the registered file, and not where they were
// typed in; what a reader found in a run it only keeps, as it keeps figures.
func (c checkService) Make(_ context.Context, r *rigwardenv1.MakeCheckRequest) (*rigwardenv1.MakeCheckResponse, error) {
	st, err := c.s.writing()
	if err != nil {
		return nil, err
	}
	mod, err := c.module(st, r.GetSerial())
	if err != nil {
		return nil, err
	}
	check := store.Check{At: c.s.now(), Who: r.GetWho()}
	var list []firstcheck.Finding
	switch m := r.GetMethod().(type) {
	case *rigwardenv1.MakeCheckRequest_Hand:
		check.Method = "hand"
		list, check.Input, err = byHand(mod, m.Hand)
	case *rigwardenv1.MakeCheckRequest_Insulation:
		check.Method = "insulation"
		list, check.Input, err = insulation(mod, m.Insulation)
	case *rigwardenv1.MakeCheckRequest_Run:
		check.Method, check.Run, check.Input = m.Run.GetMethod(), m.Run.GetRun(), m.Run.GetInput()
		list, err = c.fromRun(st, mod, m.Run)
	default:
		return nil, &Error{Kind: KindInvalid, What: "a check without a method", Want: "readings by hand, of the insulation, or findings of a run"}
	}
	if err != nil {
		return nil, err
	}
	check.Grade = string(firstcheck.Worst(list))
	if check.Findings, err = json.Marshal(list); err != nil {
		return nil, err
	}
	if err := st.PutCheck(mod.Serial, check); err != nil {
		return nil, err
	}
	check.Digest = mod.Digest
	out, err := checkToProto(check, mod.Digest)
	return &rigwardenv1.MakeCheckResponse{Check: out}, err
}

func (c checkService) module(st *store.Store, serial string) (*profiles.Module, error) {
	rec, err := st.Module(serial)
	if err != nil {
		return nil, unknown(err, "module", serial, "rigwarden module list tells which are registered")
	}
	mod, ps := profiles.ParseModule(serial+".yaml", []byte(rec.Source))
	if len(ps) > 0 {
		return nil, mistakes(serial+".yaml", ps)
	}
	return mod, nil
}

// CheckedArticle is what a module's file says of it, as far as checks ask.
func CheckedArticle(m *profiles.Module) *firstcheck.Article {
	return &firstcheck.Article{Series: m.Series, Parallel: m.Parallel, CellMax: m.Maker.CellMax, NoCharge: m.Maker.NoCharge, CellResistance: m.CellResistance}
}

func meterAccuracy(a *rigwardenv1.MeterAccuracy) (drivers.Accuracy, error) {
	out := drivers.Accuracy{GainPPM: a.GetGainPpm(), Offset: a.GetOffsetUv()}
	if out.GainPPM < 0 || out.GainPPM > 100_000 || out.Offset < 0 || out.Offset > 10_000_000 || out.GainPPM+out.Offset == 0 {
		return out, &Error{Kind: KindInvalid, What: fmt.Sprintf("a meter's accuracy of %d ppm and %d uV", out.GainPPM, out.Offset), Want: "as its maker states it, such as 0.05 % + 2 mV"}
	}
	return out, nil
}

// handMost bounds what a hand meter can read, in uV.
const handMost = 1_500_000_000

func byHand(mod *profiles.Module, h *rigwardenv1.HandReadings) ([]firstcheck.Finding, string, error) {
	acc, err := meterAccuracy(h.GetAccuracy())
	if err != nil {
		return nil, "", err
	}
	hand := &firstcheck.Hand{Total: drivers.Microvolts(h.GetTotalUv()), Accuracy: acc}
	for _, v := range append([]int64{h.GetTotalUv(), h.GetExpectedUv(), h.GetExpectedWithinUv()}, h.GetGroupsUv()...) {
		if v > handMost || v < -handMost {
			return nil, "", &Error{Kind: KindInvalid, What: fmt.Sprintf("a reading of %v", drivers.Microvolts(v)), Want: "at most 1500 V"}
		}
	}
	words := []string{fmt.Sprintf("total %v", hand.Total)}
	for _, v := range h.GetGroupsUv() {
		hand.Groups = append(hand.Groups, drivers.Microvolts(v))
	}
	if len(hand.Groups) > 0 {
		words = append(words, fmt.Sprintf("groups from the negative end %v", hand.Groups))
	}
	e := firstcheck.Expected{Voltage: drivers.Microvolts(h.GetExpectedUv()), Within: drivers.Microvolts(h.GetExpectedWithinUv())}
	if soc := profiles.Ppm(h.GetDeliveredPpm()); soc > 0 {
		e = delivered(mod, soc)
	}
	if e.Voltage > 0 {
		words = append(words, fmt.Sprintf("a group should read %v within %v", e.Voltage, e.Within))
	}
	list, err := firstcheck.ByHand(CheckedArticle(mod), e, hand)
	if err != nil {
		return nil, "", &Error{Kind: KindInvalid, What: err.Error(), err: err}
	}
	return list, strings.Join(words, "; "), nil
}

// deliveredWithin is how well a supplier keeps the state of charge at which cells
// are shipped, in ppm. Common practice, no source.
const deliveredWithin = 50_000

// delivered is what cells at a state of charge should read.
func delivered(mod *profiles.Module, soc profiles.Ppm) firstcheck.Expected {
	v := mod.OpenCircuit(soc)
	return firstcheck.Expected{Voltage: v, Within: max(v-mod.OpenCircuit(soc-deliveredWithin), mod.OpenCircuit(soc+deliveredWithin)-v)}
}

// leastOhms is what UN R100 demands of a d.c. circuit, in mOhm per volt.
const leastOhms = 100_000

func insulation(mod *profiles.Module, r *rigwardenv1.InsulationReadings) ([]firstcheck.Finding, string, error) {
	acc, err := meterAccuracy(r.GetAccuracy())
	if err != nil {
		return nil, "", err
	}
	m := &firstcheck.Insulation{
		Total: drivers.Microvolts(r.GetTotalUv()), Negative: drivers.Microvolts(r.GetNegativeUv()), Positive: drivers.Microvolts(r.GetPositiveUv()),
		Inserted: drivers.Microohms(r.GetInsertedUohm()), After: drivers.Microvolts(r.GetAfterUv()), Accuracy: acc,
		Meter: drivers.Microohms(r.GetMeterUohm()), Working: drivers.Microvolts(mod.Series) * mod.Maker.CellMax, Least: r.GetLeastMohmPerVolt(),
	}
	if m.Least == 0 {
		m.Least = leastOhms
	}
	f, err := m.Check()
	if err != nil {
		return nil, "", &Error{Kind: KindInvalid, What: err.Error(), err: err}
	}
	input := fmt.Sprintf("total %v, negative pole to ground %v, positive pole %v", m.Total, m.Negative, m.Positive)
	if m.Inserted > 0 {
		input += fmt.Sprintf(", with %.4g kOhm %v", float64(m.Inserted)/1e9, m.After)
	}
	return []firstcheck.Finding{f}, input, nil
}

// fromRun takes what a reader found; the run has to be this module's.
func (c checkService) fromRun(st *store.Store, mod *profiles.Module, r *rigwardenv1.RunFindings) ([]firstcheck.Finding, error) {
	if m := r.GetMethod(); m != "taps" && m != "pulse" {
		return nil, &Error{Kind: KindInvalid, What: fmt.Sprintf("method %q", m), Want: "taps or pulse"}
	}
	info, err := st.Run(r.GetRun())
	if err != nil {
		return nil, unknown(err, "run", r.GetRun(), "rigwarden run list tells which there are")
	}
	if info.Module != mod.Serial {
		return nil, &Error{Kind: KindRefused, What: fmt.Sprintf("run %s is of module %s", info.ID, info.Module), Want: "a run of " + mod.Serial}
	}
	var list []firstcheck.Finding
	for _, f := range r.GetFindings() {
		g := firstcheck.Finding{Kind: firstcheck.Kind(f.GetKind()), Grade: firstcheck.Grade(f.GetGrade()), What: f.GetWhat(), Do: f.GetDo()}
		if !slices.Contains(firstcheck.Grades(), g.Grade) || g.Kind == "" || len(f.GetWhat())+len(f.GetDo()) > 4096 || len(list) > 600 {
			return nil, &Error{Kind: KindInvalid, What: fmt.Sprintf("a finding of kind %q and grade %q", g.Kind, g.Grade), Want: fmt.Sprintf("one of the grades %v, and short texts", firstcheck.Grades())}
		}
		for _, k := range f.GetCells() {
			g.Cells = append(g.Cells, int(k))
		}
		list = append(list, g)
	}
	return list, nil
}

func (c checkService) List(_ context.Context, r *rigwardenv1.ListChecksRequest) (*rigwardenv1.ListChecksResponse, error) {
	st, err := c.s.reading()
	if err != nil {
		return nil, err
	}
	mod, err := st.Module(r.GetSerial())
	if err != nil {
		return nil, unknown(err, "module", r.GetSerial(), "rigwarden module list tells which are registered")
	}
	list, err := st.Checks(r.GetSerial())
	if err != nil {
		return nil, err
	}
	out := &rigwardenv1.ListChecksResponse{}
	for _, check := range list {
		p, err := checkToProto(check, mod.Digest)
		if err != nil {
			return nil, err
		}
		out.Checks = append(out.Checks, p)
	}
	return out, nil
}

func checkToProto(c store.Check, digest string) (*rigwardenv1.Check, error) {
	var list []firstcheck.Finding
	if err := json.Unmarshal(c.Findings, &list); err != nil {
		return nil, fmt.Errorf("findings of a check: %w", err)
	}
	return &rigwardenv1.Check{AtUs: int64(c.At), Who: c.Who, Method: c.Method, Grade: c.Grade, Input: c.Input,
		Run: c.Run, Current: c.Digest == digest, Findings: FindingsToProto(list)}, nil
}

// FindingsToProto puts findings into the words that clients speak.
func FindingsToProto(list []firstcheck.Finding) (out []*rigwardenv1.CheckFinding) {
	for _, f := range list {
		p := &rigwardenv1.CheckFinding{Kind: string(f.Kind), Grade: string(f.Grade), What: f.What, Do: f.Do}
		for _, k := range f.Cells {
			p.Cells = append(p.Cells, uint32(k))
		}
		out = append(out, p)
	}
	return out
}
