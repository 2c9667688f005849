package block

import (
	"bytes"
	"encoding/csv"
	"flag"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

var rewrite = flag.Bool("rewrite", false, "write the test vectors anew; only with a new version byte")

// The test vectors: blocks and, as text, the frames in them. Every later version
// of this package must read them. An empty field is a missing reading.
var vectors = map[string]func() *Columns{
	"testdata/version1":       vectorColumns,
	"testdata/version1_short": shortColumns,
}

func TestVectorsOfVersion1(t *testing.T) {
	for name, columns := range vectors {
		if *rewrite {
			writeVector(t, name, columns())
		}
		want := readVector(t, name)
		b, err := os.ReadFile(name + ".block")
		require.NoError(t, err)
		var got Columns
		require.NoError(t, (&Decoder{}).Decode(b, &got))
		same(t, want, &got)
	}
}

// TestSecondReaderAgrees: a reader in another language, written from format.md
// alone, finds the same frames in the vectors and in a pulsed recording.
func TestSecondReaderAgrees(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if slices.Contains(strings.Split(os.Getenv("RIGWARDEN_REQUIRE"), ","), "python3") {
			t.Fatal("python3 is demanded by RIGWARDEN_REQUIRE and not installed")
		}
		t.Skip("python3, which runs the second reader, is not installed (Debian package python3)")
	}
	pulsed, _ := signal{cells: 4, frames: 400, noise: 0.7, pulsed: true}.columns(13)
	b, err := NewEncoder(4).Encode(nil, pulsed)
	require.NoError(t, err)
	path := t.TempDir() + "/pulsed.block"
	require.NoError(t, os.WriteFile(path, b, 0o644))
	agrees(t, python, path, pulsed)
	for name := range vectors {
		agrees(t, python, name+".block", readVector(t, name))
	}
}

func agrees(t *testing.T, python, path string, want *Columns) {
	t.Helper()
	cmd := exec.Command(python, "testdata/read_block.py", path)
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	require.NoError(t, err)
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	for _, row := range rows(want) {
		require.NoError(t, w.Write(row))
	}
	w.Flush()
	require.Equal(t, text.String(), string(out))
}

func readVector(t *testing.T, name string) *Columns {
	t.Helper()
	file, err := os.Open(name + ".csv")
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
// with extra bits and a clock kept in full.
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

// shortColumns is a piece of two frames, whose groups hold one token each.
func shortColumns() *Columns {
	c := NewColumns(3, 2)
	for i := range int32(2) {
		f := drivers.Frame{At: drivers.Instant(1_800_000_000_000_000 + int64(i)*100_000), Seq: uint64(7 + i), Echo: uint64(i), Counts: []int32{33_000 + i, 33_100 + i, 5 + i}}
		if err := c.Append(&f); err != nil {
			panic(err)
		}
	}
	return c
}

func writeVector(t *testing.T, name string, c *Columns) {
	t.Helper()
	b, err := NewEncoder(4).Encode(nil, c)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(name+".block", b, 0o644))
	file, err := os.Create(name + ".csv")
	require.NoError(t, err)
	defer file.Close()
	w := csv.NewWriter(file)
	head := []string{"at_us", "seq", "echo"}
	for i := range c.Counts {
		head = append(head, "channel_"+strconv.Itoa(i))
	}
	require.NoError(t, w.Write(head))
	require.NoError(t, w.WriteAll(rows(c)))
}

func rows(c *Columns) (list [][]string) {
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
		list = append(list, row)
	}
	return list
}
