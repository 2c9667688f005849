package store

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// TestSealingWhileReading: a reader in the midst of pieces when their chunk is
// sealed misses nothing and sees nothing twice, by frame, line, block or bin.
func TestSealingWhileReading(t *testing.T) {
	s := openStore(t, tempPath(t), small())
	r, err := s.Begin(demoRun(t, "bench-1", false))
	require.NoError(t, err)
	src := newSource(9, 7)
	var want []*drivers.Frame
	for i := range 30 {
		want = append(want, record(t, r, src, 50)...)
		require.NoError(t, r.Line(src.f.Seq, src.f.At, fmt.Sprint("line ", i)))
		require.NoError(t, r.Commit())
	}
	no, err := runNumber(r.ID())
	require.NoError(t, err)
	frameWalk := &walker{s: s, no: no, want: wantFrames}
	lineWalk := &walker{s: s, no: no, want: wantLines}
	binWalk := &walker{s: s, no: no, want: wantBins, level: Levels[0]}
	var blocks, texts, bins []part
	for _, step := range []struct {
		w  *walker
		to *[]part
	}{{frameWalk, &blocks}, {lineWalk, &texts}, {binWalk, &bins}} {
		*step.to = append(*step.to, firstParts(t, step.w, 7)...)
	}
	finish(t, r) // seals
	blocks = append(blocks, allParts(t, frameWalk)...)
	texts = append(texts, allParts(t, lineWalk)...)
	bins = append(bins, allParts(t, binWalk)...)

	require.Len(t, blocks, 8, "seven pieces and what is left of the sealed chunk")
	require.Equal(t, 350, blocks[7].skip)
	require.Equal(t, want, decodeParts(t, blocks))
	require.Len(t, bins, 8)
	require.False(t, bins[7].isBins, "bins of the whole chunk would count frames twice")
	require.Equal(t, want, decodeParts(t, bins))
	require.Len(t, texts, 8)
	require.Equal(t, 7, texts[7].skip)
	rest, err := cut(blocks[7].data, 350)
	require.NoError(t, err)
	require.Equal(t, want[350:], decodeParts(t, []part{{data: rest}}))
}

// firstParts walks with a transaction that is spent after n parts.
func firstParts(t *testing.T, w *walker, n int) []part {
	t.Helper()
	all, done, err := w.next()
	require.NoError(t, err)
	require.True(t, done)
	require.Greater(t, len(all), n)
	// The same walk, cut short: as if the transaction had ended there.
	*w = walker{s: w.s, no: w.no, want: w.want, level: w.level}
	parts := append([]part(nil), all[:n]...)
	w.frame, w.line = uint64(50*n), uint64(n)
	return parts
}

func allParts(t *testing.T, w *walker) (list []part) {
	t.Helper()
	for {
		parts, done, err := w.next()
		require.NoError(t, err)
		list = append(list, parts...)
		if done {
			return list
		}
	}
}

func decodeParts(t *testing.T, parts []part) (list []*drivers.Frame) {
	t.Helper()
	var d block.Decoder
	var c block.Columns
	for _, p := range parts {
		require.NoError(t, d.Decode(p.data, &c))
		for i := p.skip; i < c.Len(); i++ {
			var f drivers.Frame
			c.Frame(i, &f)
			list = append(list, &f)
		}
	}
	return list
}

// TestDamagedBlocksAreNamedAndPassedOver: one bad block costs its own frames.
func TestDamagedBlocksAreNamedAndPassedOver(t *testing.T) {
	path := filepath.Join(t.TempDir(), "rig.db")
	s, err := Open(path, small())
	require.NoError(t, err)
	r, err := s.Begin(demoRun(t, "bench-1", true))
	require.NoError(t, err)
	want := record(t, r, newSource(3, 7), 13_000)
	finish(t, r)
	value, _, err := s.chunk(1, 1)
	require.NoError(t, err)
	require.NoError(t, s.Close())

	b, err := os.ReadFile(path)
	require.NoError(t, err)
	at := bytes.Index(b, value)
	require.Positive(t, at)
	b[at+linkSize+1000] ^= 4
	require.NoError(t, os.WriteFile(path, b, 0o600))
	s, err = Open(path, Options{ReadOnly: true})
	require.NoError(t, err)
	var got []*drivers.Frame
	err = s.Frames(r.ID(), 0, 0, func(f *drivers.Frame) error {
		got = append(got, f.Clone())
		return nil
	})
	require.ErrorIs(t, err, ErrDamaged)
	require.ErrorContains(t, err, "run r000001: chunk 1: corrupt block: checksum")
	require.Equal(t, append(append([]*drivers.Frame{}, want[:6000]...), want[12_000:]...), got)
	require.ErrorIs(t, s.Verify(r.ID()), ErrDamaged)
	require.ErrorIs(t, s.Check(), ErrDamaged)
	require.NoError(t, s.Close())
}
