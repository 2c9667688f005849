package bdf

import (
	"bufio"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// tempsMax is how many temperature columns the format has (T1 to T5).
const tempsMax = 5

// Writer writes frames as a Battery Data Format CSV file with the preferred
// labels: the whole module by its meter, or one cell by its tap. One file
// describes one object, so a module of 24 cells makes 25 files that share the
// current. It streams: a row is written as its frame comes.
//
// A step's first row repeats the last row of the step before under the new step
// count, as instruments do that record both states of an edge: each interval
// between two frames then lies inside exactly one step.
type Writer struct {
	w       *bufio.Writer
	layout  *drivers.Layout
	voltage int // position of the voltage; sumOfTaps: the taps' sum
	current int
	temps   int

	line    []byte
	begun   bool
	first   drivers.Instant
	last    drivers.Instant
	prev    values
	step    int64
	pending bool // a step began after the last row
	in, out float64
	// Left counts frames without voltage or current, or whose time did not
	// rise: they are not written, and nothing is made up in their place.
	Left int64
}

// values are one row's quantities in base units.
type values struct {
	v, i  int64
	temps [tempsMax]int64
	has   [tempsMax]bool
}

// NewWriter writes the module: voltage from the meter.
func NewWriter(w io.Writer, layout *drivers.Layout) (*Writer, error) {
	pos := layout.Find(drivers.ModuleVoltage)
	if pos < 0 {
		return nil, fmt.Errorf("export: the bench has no module voltage")
	}
	return newWriter(w, layout, pos)
}

// sumOfTaps stands for a voltage that no single channel has.
const sumOfTaps = -1

// NewTapsWriter writes the module with the sum of its taps as voltage, for
// records that have no meter: a recorded bus.
func NewTapsWriter(w io.Writer, layout *drivers.Layout) (*Writer, error) {
	return newWriter(w, layout, sumOfTaps)
}

// NewCellWriter writes one cell, counted from 0.
func NewCellWriter(w io.Writer, layout *drivers.Layout, cell int) (*Writer, error) {
	if cell < 0 || cell >= layout.Cells() {
		return nil, fmt.Errorf("export: cell %d of %d", cell+1, layout.Cells())
	}
	return newWriter(w, layout, layout.Cell(cell))
}

func newWriter(w io.Writer, layout *drivers.Layout, voltage int) (*Writer, error) {
	x := &Writer{w: bufio.NewWriterSize(w, 1<<16), layout: layout, voltage: voltage, current: layout.Find(drivers.ModuleCurrent), step: 1}
	if x.current < 0 {
		return nil, fmt.Errorf("export: the bench has no module current")
	}
	x.temps = min(layout.Temps(), tempsMax)
	cols := []string{"Test Time / s", "Voltage / V", "Current / A", "Unix Time / s", "Step Count / 1",
		"Charging Capacity / Ah", "Discharging Capacity / Ah", "Net Capacity / Ah", "Cumulative Capacity / Ah"}
	for i := range x.temps {
		cols = append(cols, fmt.Sprintf("Temperature T%d / degC", i+1))
	}
	_, err := x.w.WriteString(strings.Join(cols, ",") + "\n")
	return x, err
}

// Step begins a new step with the frames that follow; the first is begun
// already. The count rises by one and never resets.
func (x *Writer) Step() {
	if !x.begun {
		return
	}
	if x.pending {
		x.step++ // a step without a frame still counts
		return
	}
	x.pending = true
	x.step++
}

// Frame writes one row.
func (x *Writer) Frame(f *drivers.Frame) error {
	now, ok := x.values(f)
	if !ok || x.begun && f.At <= x.last {
		x.Left++
		return nil
	}
	if !x.begun {
		x.begun, x.first = true, f.At
	} else {
		if x.pending {
			if err := x.row(x.last, &x.prev); err != nil {
				return err
			}
		}
		x.count(&now, f.At.Sub(x.last))
	}
	x.pending = false
	x.last, x.prev = f.At, now
	return x.row(f.At, &now)
}

func (x *Writer) values(f *drivers.Frame) (v values, ok bool) {
	if len(f.Counts) != len(x.layout.Channels) || f.Counts[x.current] == drivers.NoReading {
		return v, false
	}
	from, to := x.voltage, x.voltage+1
	if x.voltage == sumOfTaps {
		from, to = 0, x.layout.Cells()
	}
	for i := from; i < to; i++ {
		if f.Counts[i] == drivers.NoReading {
			return v, false
		}
		v.v += x.layout.Channels[i].Scale.Value(f.Counts[i])
	}
	v.i = x.layout.Channels[x.current].Scale.Value(f.Counts[x.current])
	for k := range x.temps {
		if pos := x.layout.Temp(k); f.Counts[pos] != drivers.NoReading {
			v.temps[k], v.has[k] = x.layout.Channels[pos].Scale.Value(f.Counts[pos])-int64(drivers.ZeroC), true
		}
	}
	return v, true
}

// count adds the interval's charge to what went in or out.
func (x *Writer) count(now *values, long drivers.Span) {
	q := float64(x.prev.i+now.i) / 2 * float64(long) / 3.6e15
	if q >= 0 {
		x.in += q
	} else {
		x.out -= q
	}
}

func (x *Writer) row(at drivers.Instant, v *values) error {
	b := appendDecimal(x.line[:0], int64(at.Sub(x.first)), 6)
	b = appendDecimal(append(b, ','), v.v, 6)
	b = appendDecimal(append(b, ','), v.i, 6)
	b = appendDecimal(append(b, ','), int64(at), 6)
	b = strconv.AppendInt(append(b, ','), x.step, 10)
	for _, q := range [...]float64{x.in, x.out, x.in - x.out, x.in + x.out} {
		b = strconv.AppendFloat(append(b, ','), q, 'f', 9, 64)
	}
	for k := range x.temps {
		if b = append(b, ','); v.has[k] {
			b = appendDecimal(b, v.temps[k], 3)
		}
	}
	x.line = append(b, '\n')
	_, err := x.w.Write(x.line)
	return err
}

// appendDecimal writes n*10^-places exactly.
func appendDecimal(b []byte, n int64, places int) []byte {
	u := uint64(n)
	if n < 0 {
		b, u = append(b, '-'), -u
	}
	scale := uint64(1)
	for range places {
		scale *= 10
	}
	b = append(strconv.AppendUint(b, u/scale, 10), '.')
	for f := u % scale; scale > 1; {
		scale /= 10
		b = append(b, byte('0'+f/scale))
		f %= scale
	}
	return b
}

// Flush writes out what is buffered; the caller closes the file.
func (x *Writer) Flush() error { return x.w.Flush() }

// FileName is the name the format asks for:
// InstitutionCode__CellName__YYYYMMDD_XXX.bdf.csv, where the day is UTC's and
// XXX the number of the test. Cell counts from one; 0 is the module.
func FileName(institution, module string, cell int, at drivers.Instant, number int) string {
	name := module
	if cell > 0 {
		name = fmt.Sprintf("%s-cell-%02d", module, cell)
	}
	day := time.UnixMicro(int64(at)).UTC().Format("20060102")
	return fmt.Sprintf("%s__%s__%s_%03d.bdf.csv", plain(institution), plain(name), day, number)
}

// plain keeps a name from meaning anything to a file system or to the format,
// whose parts two underscores divide.
func plain(s string) string {
	out := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			return r
		}
		return '-'
	}, s)
	if out == "" {
		return "unnamed"
	}
	return out
}
