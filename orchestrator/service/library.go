package service

import (
	"context"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// fileMax bounds every file a client sends or the library ships.
const fileMax = 1 << 20

// DefaultBench is the shipped bench that a check takes when none is named.
const DefaultBench = "quay-1"

// Defaults of a run.
const (
	DefaultProfile  = "qualify"
	DefaultCriteria = "kw-acceptance"
)

// source is a file's text with the name that messages give it.
type source struct {
	name string
	text []byte
	// maps are the digests of the files that a bench file names, by role.
	maps map[string]string
	// simulated says that virtual instruments stand in for the bench's own: the
	// record must not look like one of real instruments.
	simulated bool
}

// folders is where the library keeps each kind.
var folders = map[rigwardenv1.Library]string{
	rigwardenv1.Library_LIBRARY_PROFILE:  ".",
	rigwardenv1.Library_LIBRARY_MODULE:   "modules",
	rigwardenv1.Library_LIBRARY_BENCH:    "benches",
	rigwardenv1.Library_LIBRARY_CRITERIA: "criteria",
}

// shipped reads a file of the library.
func shipped(kind rigwardenv1.Library, name string) (source, error) {
	folder, ok := folders[kind]
	if !ok {
		return source{}, &Error{Kind: KindInvalid, What: "no kind of shipped file given", Want: "one of profile, module, bench, criteria"}
	}
	known := names(folder)
	for _, n := range known {
		if n == name {
			text, err := fs.ReadFile(profiles.Library(), path.Join(folder, name+".yaml"))
			return source{name: name + ".yaml", text: text}, err
		}
	}
	return source{}, &Error{
		Kind: KindNotFound,
		What: fmt.Sprintf("no %s is named %q", libraryWord(kind), name),
		Want: "a registered or served name, a path to a file, or one of the shipped " + strings.Join(known, ", "),
	}
}

func libraryWord(kind rigwardenv1.Library) string {
	return strings.ToLower(strings.TrimPrefix(kind.String(), "LIBRARY_"))
}

// names lists the shipped files of a folder, sorted.
func names(folder string) []string {
	var out []string
	entries, err := fs.ReadDir(profiles.Library(), folder)
	if err != nil {
		return nil
	}
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), ".yaml"); ok && !e.IsDir() {
			out = append(out, name)
		}
	}
	return out
}

// sent checks the bounds of a file that a client sent.
func sent(f *rigwardenv1.SourceFile) (source, error) {
	if n := len(f.GetContent()); n > fileMax {
		return source{}, &Error{Kind: KindTooLarge, What: fmt.Sprintf("%s has %d bytes", f.GetName(), n), Want: fmt.Sprintf("at most %d", fileMax)}
	}
	name := f.GetName()
	if name == "" {
		name = "file"
	}
	return source{name: name, text: f.GetContent()}, nil
}

// problems turns the profiles' list into the wire's.
func problems(ps []profiles.Problem) []Problem {
	out := make([]Problem, len(ps))
	for i, p := range ps {
		out[i] = Problem{File: p.File, Line: p.Line, Column: p.Col, What: p.What, Want: p.Right}
	}
	return out
}

// mistakes is the refusal of a file with mistakes.
func mistakes(where string, ps []profiles.Problem) error {
	count := "1 mistake"
	if len(ps) != 1 {
		count = fmt.Sprintf("%d mistakes", len(ps))
	}
	return &Error{Kind: KindInvalid, What: where + " has " + count, Want: "put right what is listed and try again", Problems: problems(ps)}
}

type profileService struct {
	rigwardenv1.UnimplementedProfilesServer
	s *Server
}

func (p profileService) List(_ context.Context, r *rigwardenv1.ListProfilesRequest) (*rigwardenv1.ListProfilesResponse, error) {
	out := &rigwardenv1.ListProfilesResponse{}
	for kind := rigwardenv1.Library_LIBRARY_PROFILE; kind <= rigwardenv1.Library_LIBRARY_CRITERIA; kind++ {
		if r.GetLibrary() != rigwardenv1.Library_LIBRARY_UNSPECIFIED && r.GetLibrary() != kind {
			continue
		}
		for _, name := range names(folders[kind]) {
			f, err := shipped(kind, name)
			if err != nil {
				return nil, err
			}
			out.Entries = append(out.Entries, &rigwardenv1.LibraryEntry{Library: kind, Name: name, About: about(kind, f)})
		}
	}
	return out, nil
}

// about is the title that the file gives itself.
func about(kind rigwardenv1.Library, f source) string {
	switch kind {
	case rigwardenv1.Library_LIBRARY_PROFILE:
		if p, _ := profiles.ParseProfile(f.name, f.text); p != nil {
			return p.Title
		}
	case rigwardenv1.Library_LIBRARY_MODULE:
		if m, _ := profiles.ParseModule(f.name, f.text); m != nil {
			return m.Title
		}
	case rigwardenv1.Library_LIBRARY_BENCH:
		if b, _ := profiles.ParseBench(f.name, f.text); b != nil {
			return b.Title
		}
	case rigwardenv1.Library_LIBRARY_CRITERIA:
		if c, _ := profiles.ParseCriteria(f.name, f.text); c != nil {
			return c.Title
		}
	}
	return ""
}

func (p profileService) Get(_ context.Context, r *rigwardenv1.GetProfileRequest) (*rigwardenv1.GetProfileResponse, error) {
	f, err := shipped(r.GetLibrary(), r.GetName())
	if err != nil {
		return nil, err
	}
	return &rigwardenv1.GetProfileResponse{File: &rigwardenv1.SourceFile{Name: f.name, Content: f.text}}, nil
}

func (p profileService) Check(_ context.Context, r *rigwardenv1.CheckProfileRequest) (*rigwardenv1.CheckProfileResponse, error) {
	prof, err := p.s.source(r.GetProfile(), rigwardenv1.Library_LIBRARY_PROFILE, "")
	if err != nil {
		return nil, err
	}
	mod, err := p.s.source(r.GetModule(), rigwardenv1.Library_LIBRARY_MODULE, "")
	if err != nil {
		return nil, err
	}
	ben, err := p.s.source(r.GetBench(), rigwardenv1.Library_LIBRARY_BENCH, DefaultBench)
	if err != nil {
		return nil, err
	}
	plan, ps := compile(prof, mod, ben)
	if len(ps) > 0 {
		return &rigwardenv1.CheckProfileResponse{Problems: problemsToProto(problems(ps)).GetProblems()}, nil
	}
	v, err := preview(plan)
	return &rigwardenv1.CheckProfileResponse{Preview: v}, err
}

// compile parses three files and compiles them, collecting every mistake.
func compile(prof, mod, ben source) (*machine.Plan, []profiles.Problem) {
	p, pp := profiles.ParseProfile(prof.name, prof.text)
	m, mp := profiles.ParseModule(mod.name, mod.text)
	b, bp := profiles.ParseBench(ben.name, ben.text)
	if all := append(append(pp, mp...), bp...); len(all) > 0 {
		return nil, all
	}
	for role, w := range b.Wires() {
		w.MapDigest = ben.maps[role]
		if ben.simulated {
			*w = drivers.Wire{Driver: profiles.DriverVirtual}
		}
	}
	return profiles.Compile(p, m, b)
}

// preview puts a plan's prediction into the wire's words.
func preview(plan *machine.Plan) (*rigwardenv1.Preview, error) {
	_, digest, err := profiles.Canonical(plan)
	if err != nil {
		return nil, err
	}
	sum := profiles.Predict(plan)
	v := &rigwardenv1.Preview{
		Profile: plan.Profile, Module: plan.Module, Bench: plan.Bench.Name, Plan: digest,
		SpanUs:       int64(sum.Span),
		ChargedNc:    int64(sum.Charged),
		DischargedNc: int64(sum.Discharged),
		ChargedUj:    int64(sum.EnergyIn),
		DischargedUj: int64(sum.EnergyOut),

		CellMaxUv: int64(plan.Limits.CellMax), CellMinUv: int64(plan.Limits.CellMin),
		ChargeMaxUa: int64(plan.Limits.ChargeMax), DischargeMaxUa: int64(plan.Limits.DischargeMax),
		TempMaxMk:       int64(plan.Limits.TempMax),
		AllowanceCellUv: int64(plan.Absolute.AllowanceCell),
		AllowanceTempMk: int64(plan.Absolute.AllowanceTemp),
		LeaseUs:         int64(plan.Bench.Lease),
	}
	for i, s := range sum.Steps {
		step := &rigwardenv1.PreviewStep{
			Label: s.Label, Kind: s.Kind, Use: s.Use, Repeat: uint32(s.Passes),
			SpanUs: int64(s.Span), ChargeNc: int64(s.Charge), EnergyUj: int64(s.Energy),
		}
		if i < len(plan.Steps) {
			step.Position = plan.Steps[i].Pos
		}
		v.Steps = append(v.Steps, step)
	}
	return v, nil
}
