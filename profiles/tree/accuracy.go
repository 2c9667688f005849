package tree

import (
	"fmt"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// Accuracy reads `0.1 % + 20 mA`, or either part of it.
func (f *Fields) Accuracy(key string, d Dimension) drivers.Accuracy {
	right := "write it as 0.1 % + " + example(key, d)
	s, ok := f.Scalar(key, f.Need(key, right), right)
	if !ok {
		return drivers.Accuracy{}
	}
	a, err := ParseAccuracy(s, d)
	if err != nil {
		f.Report.Addf(f.At[key], right, "%s: %q is not an accuracy", key, s)
	}
	return a
}

// ParseAccuracy reads "0.1 % + 20 mA", or either part of it: at most 10 % and
// 1000 of the dimension's usual unit.
func ParseAccuracy(text string, d Dimension) (drivers.Accuracy, error) {
	var a drivers.Accuracy
	for part := range strings.SplitSeq(text, " + ") {
		if v, err := ParseQuantity(part, DimRatio); err == nil && v >= 0 && v <= 100_000 && a.GainPPM == 0 {
			a.GainPPM = v
			continue
		}
		v, err := ParseQuantity(part, d)
		if err != nil || v <= 0 || v > 1_000_000_000 || a.Offset != 0 {
			return drivers.Accuracy{}, fmt.Errorf("%q is not an accuracy; write it as 0.1 %% + 20 mV", text)
		}
		a.Offset = v
	}
	return a, nil
}
