package block

import (
	"encoding/csv"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

var rewrite = flag.Bool("rewrite", false, "write the test vector anew; only with a new version byte")

// The test vector: a block and, as text, the frames in it. Every later version
// of this package must read it. An empty field is a missing reading.
const (
	vectorBlock = "testdata/version1.block"
	vectorText  = "testdata/version1.csv"
)

func TestVectorOfVersion1(t *testing.T) {
	if *rewrite {
		writeVector(t)
	}
	want := readVector(t)
	b, err := os.ReadFile(vectorBlock)
	require.NoError(t, err)
	var got Columns
	require.NoError(t, (&Decoder{}).Decode(b, &got))
	same(t, want, &got)
}

func readVector(t *testing.T) *Columns {
	file, err := os.Open(vectorText)
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	c := NewColumns(len(rows[0])-3, len(rows))
	for _, row := range rows[1:] {
		var f drivers.Frame
		at, err := strconv.ParseInt(row[0], 10, 64)
		require.NoError(t, err)
		f.At = drivers.Instant(at)
		f.Seq, err = strconv.ParseUint(row[1], 10, 64)
		require.NoError(t, err)
		f.Echo, err = strconv.ParseUint(row[2], 10, 64)
		require.NoError(t, err)
		for _, field := range row[3:] {
			v := int64(drivers.NoReading)
			if field != "" {
				v, err = strconv.ParseInt(field, 10, 32)
				require.NoError(t, err)
			}
			f.Counts = append(f.Counts, int32(v))
		}
		require.NoError(t, c.Append(&f))
	}
	return c
}

// vectorColumns has every kind of series, gaps, a reference with edges, tokens
// with extra bits, a clock kept in full and all three group modes.
func vectorColumns() *Columns {
	rng := rand.New(rand.NewPCG(1, 1))
	c := NewColumns(8, 160)
	for i := range 160 {
		amps := 0
		if i%80 >= 40 {
			amps = -20_000
		}
		cell := func(k int) int32 {
			return int32(33_000+20*k) + int32(i/9) + int32(amps*(k+4)/500) + int32(math.Round(rng.NormFloat64()))
		}
		f := drivers.Frame{
			At: drivers.Instant(1_800_000_000_000_000 + int64(i)*100_000 + int64(rng.IntN(50))), Seq: uint64(i) * 3, Echo: rng.Uint64(),
			Counts: []int32{cell(0), cell(1), cell(2), 2981, int32(amps + rng.IntN(5)), drivers.NoReading, int32(i), int32(rng.Uint32() >> 1)},
		}
		if i > 100 && i < 110 {
			f.Counts[2] = drivers.NoReading
		}
		if err := c.Append(&f); err != nil {
			panic(err)
		}
	}
	return c
}

func writeVector(t *testing.T) {
	c := vectorColumns()
	b, err := NewEncoder(4).Encode(nil, c)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(vectorBlock, b, 0o644))
	file, err := os.Create(vectorText)
	require.NoError(t, err)
	defer file.Close()
	w := csv.NewWriter(file)
	require.NoError(t, w.Write([]string{"at_us", "seq", "echo", "cell_01", "cell_02", "cell_03", "temperature_1", "module_current", "module_voltage", "monitor_beat", "noise"}))
	var f drivers.Frame
	for i := range c.Len() {
		c.Frame(i, &f)
		row := []string{strconv.FormatInt(int64(f.At), 10), strconv.FormatUint(f.Seq, 10), strconv.FormatUint(f.Echo, 10)}
		for _, v := range f.Counts {
			if v == drivers.NoReading {
				row = append(row, "")
				continue
			}
			row = append(row, strconv.Itoa(int(v)))
		}
		require.NoError(t, w.Write(row))
	}
	w.Flush()
	require.NoError(t, w.Error())
}
