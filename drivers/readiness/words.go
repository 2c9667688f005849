package readiness

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// extremes of a list of counts, without missing ones.
func extremes(list []int32) (lo, hi int32, n int) {
	for _, v := range list {
		if v == drivers.NoReading {
			continue
		}
		if n == 0 {
			lo, hi = v, v
		}
		lo, hi, n = min(lo, v), max(hi, v), n+1
	}
	return lo, hi, n
}

func numbers(list []int) string {
	var parts []string
	for i := 0; i < len(list); i++ {
		j := i
		for j+1 < len(list) && list[j+1] == list[j]+1 {
			j++
		}
		if j > i+1 {
			parts = append(parts, fmt.Sprintf("%d to %d", list[i], list[j]))
		} else {
			for _, n := range list[i : j+1] {
				parts = append(parts, fmt.Sprint(n))
			}
		}
		i = j
	}
	return strings.Join(parts, ", ")
}

func contactors(c drivers.Contactors) string {
	var parts []string
	for _, k := range [...]struct {
		bit  drivers.Contactors
		name string
	}{{drivers.BoxNegative, "negative"}, {drivers.BoxPrecharge, "precharge"}, {drivers.BoxPositive, "positive"}} {
		if c&k.bit != 0 {
			parts = append(parts, k.name)
		}
	}
	return strings.Join(parts, ", ")
}

func power(state int32) string {
	words := "off"
	if state&drivers.PowerOn != 0 {
		words = "on"
	}
	for _, k := range [...]struct {
		bit  int32
		word string
	}{{drivers.PowerTripped, "own limit tripped"}, {drivers.PowerFault, "faulty"}, {drivers.PowerLeaseOut, "silence ran out"}} {
		if state&k.bit != 0 {
			words += ", " + k.word
		}
	}
	return words
}

// celsius writes a temperature in degC to a tenth.
func celsius(t drivers.Millikelvins) string {
	return fmt.Sprintf("%.1f", float64(t-drivers.ZeroC)/1e3)
}
