package main

import (
	"encoding/json"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// printJSON prints one object, indented, in a stable order.
func (a *app) printJSON(v any) error {
	if m, ok := v.(proto.Message); ok {
		v = jsonOf(m)
	}
	e := json.NewEncoder(a.out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// jsonOf turns a message into plain values: field names as in the .proto file,
// every field present, integers as numbers (protobuf's own JSON quotes 64-bit
// integers, which every consumer would have to undo), enumerations as lower
// case words, absent optional values as null.
func jsonOf(m proto.Message) map[string]any { return jsonMessage(m.ProtoReflect()) }

func jsonMessage(m protoreflect.Message) map[string]any {
	out := map[string]any{}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		name := string(f.Name())
		switch {
		case f.IsList():
			l := m.Get(f).List()
			vs := make([]any, l.Len())
			for j := range l.Len() {
				vs[j] = jsonValue(f, l.Get(j))
			}
			out[name] = vs
		case f.HasPresence() && !m.Has(f):
			if f.ContainingOneof() == nil || f.HasOptionalKeyword() {
				out[name] = nil
			}
		default:
			out[name] = jsonValue(f, m.Get(f))
		}
	}
	return out
}

func jsonValue(f protoreflect.FieldDescriptor, v protoreflect.Value) any {
	switch f.Kind() {
	case protoreflect.MessageKind:
		return jsonMessage(v.Message())
	case protoreflect.EnumKind:
		return enumWord(f.Enum(), v.Enum())
	case protoreflect.BytesKind:
		return jsonBytes(v.Bytes())
	}
	return v.Interface()
}

// jsonBytes shows what is JSON already as it is, and text as text.
func jsonBytes(b []byte) any {
	if json.Valid(b) {
		return json.RawMessage(b)
	}
	return string(b)
}

// enumWord is an enumeration's value without its prefix: OUTCOME_DONE is "done".
func enumWord(d protoreflect.EnumDescriptor, n protoreflect.EnumNumber) string {
	v := d.Values().ByNumber(n)
	if v == nil {
		return "unknown"
	}
	prefix := string(d.Values().ByNumber(0).Name())
	prefix = strings.TrimSuffix(prefix, "UNSPECIFIED")
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(string(v.Name()), prefix), "_", " "))
}

// word is enumWord for a generated enumeration.
func word(e protoreflect.Enum) string { return enumWord(e.Descriptor(), e.Number()) }
