package service

import (
	"context"
	"errors"
	"fmt"
	"sort"

	"github.com/rigwarden/rigwarden/orchestrator/store"
	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Bounds of a page.
const (
	pageMax        = 1000
	modulesDefault = 100
	runsDefault    = 50
)

// page bounds a requested page length.
func page(limit uint32, otherwise int) (int, error) {
	switch {
	case limit == 0:
		return otherwise, nil
	case limit > pageMax:
		return 0, &Error{Kind: KindInvalid, What: fmt.Sprintf("a page of %d", limit), Want: fmt.Sprintf("at most %d", pageMax)}
	}
	return int(limit), nil
}

type moduleService struct {
	rigwardenv1.UnimplementedModulesServer
	s *Server
}

func (m moduleService) Register(_ context.Context, r *rigwardenv1.RegisterModuleRequest) (*rigwardenv1.RegisterModuleResponse, error) {
	st, err := m.s.writing()
	if err != nil {
		return nil, err
	}
	src, err := sent(r.GetFile())
	if err != nil {
		return nil, err
	}
	mod, ps := profiles.ParseModule(src.name, src.text)
	if len(ps) > 0 {
		return nil, mistakes(src.name, ps)
	}
	rec := store.Module{Serial: mod.Serial, Source: string(src.text), Digest: mod.Digest, Registered: m.s.now(), Who: r.GetWho()}
	replaced := false
	err = st.PutModule(rec)
	if errors.Is(err, store.ErrExists) {
		replaced, err = true, st.AmendModule(rec)
	}
	if err != nil {
		return nil, err
	}
	kept, err := st.Module(mod.Serial)
	if err != nil {
		return nil, err
	}
	out, err := moduleToProto(kept)
	return &rigwardenv1.RegisterModuleResponse{Module: out, Replaced: replaced}, err
}

func (m moduleService) List(_ context.Context, r *rigwardenv1.ListModulesRequest) (*rigwardenv1.ListModulesResponse, error) {
	st, err := m.s.reading()
	if err != nil {
		return nil, err
	}
	limit, err := page(r.GetLimit(), modulesDefault)
	if err != nil {
		return nil, err
	}
	all, err := st.Modules()
	if err != nil {
		return nil, err
	}
	all = all[sort.Search(len(all), func(i int) bool { return all[i].Serial > r.GetAfter() }):]
	out := &rigwardenv1.ListModulesResponse{More: len(all) > limit}
	for _, mod := range all[:min(limit, len(all))] {
		p, err := moduleToProto(mod)
		if err != nil {
			return nil, err
		}
		out.Modules = append(out.Modules, p)
	}
	return out, nil
}

func (m moduleService) Get(_ context.Context, r *rigwardenv1.GetModuleRequest) (*rigwardenv1.GetModuleResponse, error) {
	st, err := m.s.reading()
	if err != nil {
		return nil, err
	}
	mod, err := registration(st, r.GetSerial(), r.GetDigest())
	if err != nil {
		return nil, unknown(err, "module", r.GetSerial(), "rigwarden module list tells which are registered")
	}
	out, err := moduleToProto(mod)
	return &rigwardenv1.GetModuleResponse{
		Module: out,
		File:   &rigwardenv1.SourceFile{Name: mod.Serial + ".yaml", Content: []byte(mod.Source)},
	}, err
}

// registration finds a module by the digest of its file, the latest by none.
func registration(st *store.Store, serial, digest string) (store.Module, error) {
	all, err := st.ModuleHistory(serial)
	if err != nil {
		return store.Module{}, err
	}
	if digest == "" {
		return all[len(all)-1], nil
	}
	for _, m := range all {
		if m.Digest == digest {
			return m, nil
		}
	}
	return store.Module{}, &Error{
		Kind: KindNotFound, What: fmt.Sprintf("module %s was never registered with the file %.12s", serial, digest),
		Want: "leave the digest out for the latest registration",
	}
}

// unknown makes the store's "not found" say what and what would be right.
func unknown(err error, what, name, want string) error {
	if errors.Is(err, store.ErrNotFound) {
		return &Error{Kind: KindNotFound, What: fmt.Sprintf("no %s %q", what, name), Want: want, err: err}
	}
	return err
}

func moduleToProto(m store.Module) (*rigwardenv1.Module, error) {
	out := &rigwardenv1.Module{Serial: m.Serial, Digest: m.Digest, RegisteredUs: int64(m.Registered), RegisteredBy: m.Who}
	mod, ps := profiles.ParseModule(m.Serial+".yaml", []byte(m.Source))
	if len(ps) > 0 {
		// A file that an older version accepted: shown by what is certain.
		return out, nil
	}
	out.Chemistry = mod.Chemistry
	out.Series = uint32(mod.Series)
	out.Parallel = uint32(mod.Parallel)
	out.RatedNc = int64(mod.Rated)
	out.Sensors = uint32(len(mod.Sensors))
	out.CellMaxUv = int64(mod.Maker.CellMax)
	out.CellMinUv = int64(mod.Maker.CellMin)
	out.ChargeMaxUa = int64(mod.Maker.ChargeMax)
	out.DischargeMaxUa = int64(mod.Maker.DischargeMax)
	out.TempChargeMinMk = int64(mod.Maker.ChargeTempMin)
	out.TempChargeMaxMk = int64(mod.Maker.ChargeTempMax)
	out.TempDischargeMinMk = int64(mod.Maker.DischargeTempMin)
	out.TempDischargeMaxMk = int64(mod.Maker.DischargeTempMax)
	out.TempMaxMk = int64(max(mod.Maker.ChargeTempMax, mod.Maker.DischargeTempMax))
	return out, nil
}
