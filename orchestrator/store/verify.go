package store

import (
	"crypto/sha256"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/orchestrator/block"
)

// Verify walks the run's hash chain, decoding every block: what was fixed when
// the run began, then each sealed chunk, up to the head stored at its end.
func (s *Store) Verify(id string) error {
	info, err := s.Run(id)
	if err != nil {
		return err
	}
	for _, read := range []func() error{
		func() error { _, err := s.Plan(id); return err },
		func() error { _, err := s.Criteria(id); return err },
		func() error { _, err := s.LayoutText(id); return err },
	} {
		if err := read(); err != nil {
			return err
		}
	}
	f := Follow(info)
	if err := s.Chain(id, f.Add); err != nil {
		return err
	}
	return f.End()
}

// Sealed is one sealed chunk of a run as it is stored: a link of the hash chain
// with its block of frames, and the chunk's packed lines.
type Sealed struct{ Frames, Lines []byte }

// Chain calls fn for each sealed chunk of the run, in order and undecoded, so
// that a reader in another process can follow the chain (Follow). The bytes are
// the callee's to keep. No transaction is open while fn runs.
func (s *Store) Chain(id string, fn func(Sealed) error) error {
	no, err := runNumber(id)
	if err != nil {
		return err
	}
	if _, err := s.Run(id); err != nil {
		return err
	}
	for chunk := uint32(0); ; chunk++ {
		value, text, err := s.chunk(no, chunk)
		if err != nil || value == nil {
			return err
		}
		if err := fn(Sealed{value, text}); err != nil {
			return err
		}
	}
}

// chunk copies a sealed chunk and its lines; nil where there is none.
func (s *Store) chunk(no, chunk uint32) (value, text []byte, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		key := key3232(no, chunk)
		if v := tx.Bucket(chunkBucket).Get(key); v != nil {
			value = append([]byte(nil), v...)
			text = append(text, tx.Bucket(lineBucket).Get(key)...)
		}
		return nil
	})
	return value, text, err
}

// Follower follows a run's hash chain without the store: by what was fixed when
// the run began and the sealed chunks in their order.
type Follower struct {
	info  RunInfo
	v     verifier
	chunk int
}

// Follow begins to follow the chain of a run. The texts that info names by
// digest are the caller's to compare.
func Follow(info RunInfo) *Follower { return &Follower{info: info, v: verifier{prev: genesis(&info)}} }

// Add decodes the next chunk and reports the first thing in it that does not
// follow from what came before: ErrChain, or ErrDamaged where it cannot be read.
func (f *Follower) Add(c Sealed) error {
	if err := f.v.chunk(c.Frames, c.Lines); err != nil {
		return fmt.Errorf("run %s: chunk %d: %w", f.info.ID, f.chunk, err)
	}
	f.chunk++
	return nil
}

// End reports ErrChain where the chain does not end as the run says. A run that
// goes on says nothing yet.
func (f *Follower) End() error {
	if f.info.Head != "" && f.info.Head != f.Head() {
		return fmt.Errorf("run %s: %w: it ends at %.12s, the run's head is %.12s", f.info.ID, ErrChain, f.Head(), f.info.Head)
	}
	if f.info.Head != "" && f.info.Frames != f.v.frames {
		return fmt.Errorf("run %s: %w: %d frames, the run says %d", f.info.ID, ErrChain, f.v.frames, f.info.Frames)
	}
	return nil
}

// Head is the last link so far, in hex; Chunks, Frames and Lines count what was
// followed.
func (f *Follower) Head() string   { return hexSum(f.v.prev) }
func (f *Follower) Chunks() int    { return f.chunk }
func (f *Follower) Frames() uint64 { return f.v.frames }
func (f *Follower) Lines() uint64  { return f.v.lines }

// verifier follows a chain.
type verifier struct {
	prev          sum
	frames, lines uint64
	decoder       block.Decoder
	columns       block.Columns
}

func (v *verifier) chunk(value, packed []byte) error {
	l, frames, err := parseLink(value)
	if err != nil {
		return err
	}
	var text []byte
	if l.lines > 0 {
		if text, err = unpackText(packed); err != nil {
			return err
		}
	}
	if err := v.decoder.Decode(frames, &v.columns); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	switch {
	case l.prev != v.prev:
		return fmt.Errorf("%w: it follows another link", ErrChain)
	case l.hash != l.seal():
		return fmt.Errorf("%w: its hash does not fit its header", ErrChain)
	case l.frame0 != v.frames || l.line0 != v.lines:
		return fmt.Errorf("%w: frame %d and line %d where %d and %d were due", ErrChain, l.frame0, l.line0, v.frames, v.lines)
	case int(l.frames) != v.columns.Len() || l.frameSum != v.columns.Digest():
		return fmt.Errorf("%w: its frames have changed", ErrChain)
	case l.lineSum != sha256.Sum256(text):
		return fmt.Errorf("%w: its lines have changed", ErrChain)
	}
	v.prev = l.hash
	v.frames += uint64(l.frames)
	v.lines += uint64(l.lines)
	return nil
}
