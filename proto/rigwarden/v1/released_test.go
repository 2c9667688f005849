package rigwardenv1_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

var rewrite = flag.Bool("rewrite", false, "write down the protocol as it is now")

// kept lists everything of the protocol that clients out there rely on, one thing
// a line. Lines may come; none may go or change.
const kept = "testdata/released.txt"

func TestReleasedStays(t *testing.T) {
	now := describe(t)
	if *rewrite {
		if err := os.WriteFile(kept, []byte(strings.Join(now, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(kept)
	if err != nil {
		t.Fatal(err)
	}
	gone, come := compare(strings.Split(strings.TrimSpace(string(b)), "\n"), now)
	for _, line := range gone {
		t.Errorf("released and now gone or changed: %s", line)
	}
	for _, line := range come {
		t.Errorf("new; go test ./proto/rigwarden/v1 -rewrite keeps it: %s", line)
	}
}

// compare returns what was released and is no more, and what has come.
func compare(released, now []string) (gone, come []string) {
	for _, line := range released {
		if !slices.Contains(now, line) {
			gone = append(gone, line)
		}
	}
	for _, line := range now {
		if !slices.Contains(released, line) {
			come = append(come, line)
		}
	}
	return gone, come
}

// A field that vanishes, changes its number or its type is noticed.
func TestWhatVanishesIsNoticed(t *testing.T) {
	now := describe(t)
	for _, want := range []string{
		"field rigwarden.v1.StartRunRequest.bench ",
		"field rigwarden.v1.Check.grade ",
		"method rigwarden.v1.Runs.Start(rigwarden.v1.StartRunRequest) rigwarden.v1.StartRunResponse ",
		"enum rigwarden.v1.Outcome 0 OUTCOME_UNSPECIFIED",
	} {
		at := slices.IndexFunc(now, func(l string) bool { return strings.HasPrefix(l, want) })
		if at < 0 {
			t.Errorf("%s: not described at all", want)
			continue
		}
		less := slices.Delete(slices.Clone(now), at, at+1)
		if gone, _ := compare(now, less); len(gone) != 1 || gone[0] != now[at] {
			t.Errorf("%s went and was not noticed: %v", now[at], gone)
		}
	}
}

// describe prints what the wire depends on in every file of the package: names,
// numbers, types, presence, streams.
func describe(t *testing.T) (lines []string) {
	t.Helper()
	files := 0
	protoregistry.GlobalFiles.RangeFilesByPackage(rigwardenv1.File_rigwarden_v1_run_proto.Package(), func(f protoreflect.FileDescriptor) bool {
		files++
		lines = append(lines, enums(f.Enums())...)
		lines = append(lines, messages(f.Messages())...)
		for i := range f.Services().Len() {
			methods := f.Services().Get(i).Methods()
			for j := range methods.Len() {
				m := methods.Get(j)
				lines = append(lines, fmt.Sprintf("method %s(%s) %s streams in=%v out=%v", m.FullName(), m.Input().FullName(), m.Output().FullName(), m.IsStreamingClient(), m.IsStreamingServer()))
			}
		}
		return true
	})
	if files < 7 {
		t.Fatalf("%d files of the package are known; 7 or more would be right", files)
	}
	slices.Sort(lines)
	return lines
}

func enums(list protoreflect.EnumDescriptors) (lines []string) {
	for i := range list.Len() {
		values := list.Get(i).Values()
		for j := range values.Len() {
			lines = append(lines, fmt.Sprintf("enum %s %d %s", list.Get(i).FullName(), values.Get(j).Number(), values.Get(j).Name()))
		}
	}
	return lines
}

func messages(list protoreflect.MessageDescriptors) (lines []string) {
	for i := range list.Len() {
		m := list.Get(i)
		for j := range m.Fields().Len() {
			d := m.Fields().Get(j)
			kind := d.Kind().String()
			switch {
			case d.Message() != nil:
				kind = string(d.Message().FullName())
			case d.Enum() != nil:
				kind = string(d.Enum().FullName())
			}
			lines = append(lines, fmt.Sprintf("field %s %d %s %s presence=%v", d.FullName(), d.Number(), d.Cardinality(), kind, d.HasPresence()))
		}
		lines = append(lines, enums(m.Enums())...)
		lines = append(lines, messages(m.Messages())...)
	}
	return lines
}
