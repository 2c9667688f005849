package driverv1_test

import (
	"flag"
	"fmt"
	"os"
	"sort"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	driverv1 "github.com/rigwarden/rigwarden/proto/rigwarden/driver/v1"
)

var rewrite = flag.Bool("rewrite", false, "write down the protocol as it is now")

// kept lists everything of the protocol that plugins out there rely on, one
// thing a line. Lines may come; none may go or change.
const kept = "testdata/released.txt"

func TestReleasedStays(t *testing.T) {
	now := describe(driverv1.File_rigwarden_driver_v1_driver_proto)
	if *rewrite {
		if err := os.WriteFile(kept, []byte(strings.Join(now, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(kept)
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, line := range now {
		have[line] = true
	}
	released := strings.Split(strings.TrimSpace(string(b)), "\n")
	for _, line := range released {
		if !have[line] {
			t.Errorf("released and now gone or changed: %s", line)
		}
	}
	if len(released) < len(now) {
		t.Errorf("%d things are new; go test ./proto/rigwarden/driver/v1 -rewrite keeps them", len(now)-len(released))
	}
}

// describe prints what the wire depends on: names, numbers, types, presence.
func describe(f protoreflect.FileDescriptor) []string {
	var lines []string
	add := func(format string, a ...any) { lines = append(lines, fmt.Sprintf(format, a...)) }
	enums := func(list protoreflect.EnumDescriptors) {
		for i := range list.Len() {
			values := list.Get(i).Values()
			for j := range values.Len() {
				add("enum %s %d %s", list.Get(i).FullName(), values.Get(j).Number(), values.Get(j).Name())
			}
		}
	}
	var messages func(list protoreflect.MessageDescriptors)
	messages = func(list protoreflect.MessageDescriptors) {
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
				add("field %s %d %s %s presence=%v", d.FullName(), d.Number(), d.Cardinality(), kind, d.HasPresence())
			}
			enums(m.Enums())
			messages(m.Messages())
		}
	}
	enums(f.Enums())
	messages(f.Messages())
	for i := range f.Services().Len() {
		methods := f.Services().Get(i).Methods()
		for j := range methods.Len() {
			m := methods.Get(j)
			add("method %s(%s) %s streams=%v", m.FullName(), m.Input().FullName(), m.Output().FullName(), m.IsStreamingServer())
		}
	}
	sort.Strings(lines)
	return lines
}

// Every enum begins with "unspecified", and every quantity names its unit.
func TestHygiene(t *testing.T) {
	for _, line := range describe(driverv1.File_rigwarden_driver_v1_driver_proto) {
		if f := strings.Fields(line); f[0] == "enum" && (f[2] == "0") != strings.HasSuffix(f[3], "_UNSPECIFIED") {
			t.Errorf("%s: 0 and only 0 is unspecified", line)
		}
		for _, quantity := range []string{"voltage", "current", "temp", "period", "timeout", "silence", "persistence"} {
			f := strings.Fields(line)
			name := f[1][strings.LastIndex(f[1], ".")+1:]
			if f[0] == "field" && strings.Contains(name, quantity) && !strings.HasSuffix(name, "_uv") && !strings.HasSuffix(name, "_ua") && !strings.HasSuffix(name, "_mk") && !strings.HasSuffix(name, "_us") {
				t.Errorf("%s: a quantity without its unit", line)
			}
		}
	}
}
