package virtual

import (
	"encoding/binary"
	"fmt"
	"math"
	"reflect"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
)

// AppendState appends everything that the bench remembers, bit for bit, for a
// digest: physics, instruments with what is on its way to them, faults, frames
// that are held back, random streams, and what the truth's keeper knows. Two
// benches of one Config and one state go on alike. It is no storage format.
func (b *Bench) AppendState(dst []byte) []byte {
	return appendValue(b.plant.AppendState(dst), reflect.ValueOf(b).Elem())
}

// constant are types that a bench does not change after New, or whose state is
// appended otherwise. The walk over the fields misses none that is added.
var constant = map[reflect.Type]bool{
	reflect.TypeFor[Config]():               true,
	reflect.TypeFor[*Bench]():               true,
	reflect.TypeFor[*plant.Bench]():         true,
	reflect.TypeFor[*plant.Module]():        true,
	reflect.TypeFor[*drivers.Layout]():      true,
	reflect.TypeFor[*drivers.PowerSpec]():   true,
	reflect.TypeFor[*drivers.BoxSpec]():     true,
	reflect.TypeFor[*drivers.MonitorSpec](): true,
}

// appendValue appends a value's parts in the order of their declaration.
func appendValue(dst []byte, v reflect.Value) []byte {
	if constant[v.Type()] {
		return dst
	}
	number := func(u uint64) []byte { return binary.BigEndian.AppendUint64(dst, u) }
	switch v.Kind() {
	case reflect.Bool:
		if v.Bool() {
			return append(dst, 1)
		}
		return append(dst, 0)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return number(uint64(v.Int()))
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return number(v.Uint())
	case reflect.Float64:
		return number(math.Float64bits(v.Float()))
	case reflect.String:
		return append(number(uint64(v.Len())), v.String()...)
	case reflect.Struct:
		for i := range v.NumField() {
			dst = appendValue(dst, v.Field(i))
		}
		return dst
	case reflect.Slice:
		dst = number(uint64(v.Len()))
		fallthrough
	case reflect.Array:
		for i := range v.Len() {
			dst = appendValue(dst, v.Index(i))
		}
		return dst
	case reflect.Pointer:
		return appendValue(dst, v.Elem())
	case reflect.Interface: // who is told: no part of the state
		return dst
	}
	panic(fmt.Sprintf("virtual bench: state of type %s is not known", v.Type()))
}
