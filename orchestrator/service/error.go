package service

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

// Domain is the ErrorInfo domain of every kind.
const Domain = "rigwarden"

// Error is a failure in three parts: what happened, where, and what would be
// right. It crosses the wire unchanged.
type Error struct {
	Kind  Kind
	What  string
	Where string
	Want  string
	// Problems are the single mistakes behind a refusal, if there are several.
	Problems []Problem

	err error
}

// Problem is one mistake in a file.
type Problem struct {
	File         string
	Line, Column int
	What, Want   string
}

func (p Problem) String() string {
	var b strings.Builder
	if p.File != "" {
		b.WriteString(p.File)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
		}
		b.WriteString(": ")
	}
	b.WriteString(p.What)
	if p.Want != "" {
		b.WriteString("; " + p.Want)
	}
	return b.String()
}

// Error is the one-line form: what; where; what would be right.
func (e *Error) Error() string {
	parts := make([]string, 0, 3)
	for _, s := range []string{e.What, e.Where, e.Want} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, "; ")
}

// Unwrap returns the cause, on the side of the wire where it happened.
func (e *Error) Unwrap() error { return e.err }

// ToStatus turns an error into what gRPC carries: the kind as an ErrorInfo
// reason, the parts as its metadata, the mistakes as a detail of their own.
func ToStatus(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	e := Classify(err)
	code, ok := codeOf[e.Kind]
	if !ok {
		code = codes.Internal
	}
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{
		Reason:   string(e.Kind),
		Domain:   Domain,
		Metadata: map[string]string{"what": e.What, "where": e.Where, "want": e.Want},
	}}
	if len(e.Problems) > 0 {
		details = append(details, problemsToProto(e.Problems))
	}
	st, derr := status.New(code, e.Error()).WithDetails(details...)
	if derr != nil {
		return status.Error(code, e.Error())
	}
	return st.Err()
}

// FromStatus is ToStatus's inverse. An answer without a kind, such as one made
// by the transport, gets the kind that fits its code.
func FromStatus(err error) *Error {
	if err == nil {
		return nil
	}
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	st, ok := status.FromError(err)
	if !ok {
		if errors.Is(err, context.Canceled) {
			return &Error{Kind: KindCanceled, What: "canceled", err: err}
		}
		return &Error{Kind: KindInternal, What: err.Error(), err: err}
	}
	e = &Error{Kind: kindOfCode(st.Code()), What: st.Message(), err: err}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			if d.GetDomain() == Domain {
				e.Kind = Kind(d.GetReason())
				e.What, e.Where, e.Want = d.GetMetadata()["what"], d.GetMetadata()["where"], d.GetMetadata()["want"]
			}
		case *rigwardenv1.Problems:
			e.Problems = problemsFromProto(d)
		}
	}
	return e
}

func problemsToProto(ps []Problem) *rigwardenv1.Problems {
	m := &rigwardenv1.Problems{}
	for _, p := range ps {
		m.Problems = append(m.Problems, &rigwardenv1.Problem{
			File: p.File, Line: uint32(p.Line), Column: uint32(p.Column), What: p.What, Want: p.Want,
		})
	}
	return m
}

func problemsFromProto(m *rigwardenv1.Problems) []Problem {
	var ps []Problem
	for _, p := range m.GetProblems() {
		ps = append(ps, Problem{File: p.GetFile(), Line: int(p.GetLine()), Column: int(p.GetColumn()), What: p.GetWhat(), Want: p.GetWant()})
	}
	return ps
}
