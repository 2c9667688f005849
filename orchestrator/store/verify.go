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
		func() error { _, err := s.Layout(id); return err },
	} {
		if err := read(); err != nil {
			return err
		}
	}
	no, err := runNumber(id)
	if err != nil {
		return err
	}
	v := verifier{prev: genesis(&info)}
	for chunk := uint32(0); ; chunk++ {
		value, text, err := s.chunk(no, chunk)
		if err != nil {
			return err
		}
		if value == nil {
			break
		}
		if err := v.chunk(value, text); err != nil {
			return fmt.Errorf("run %s: chunk %d: %w", id, chunk, err)
		}
	}
	if info.Head != "" && info.Head != hexSum(v.prev) {
		return fmt.Errorf("run %s: %w: it ends at %.12s, the run's head is %.12s", id, ErrChain, hexSum(v.prev), info.Head)
	}
	if info.Head != "" && info.Frames != v.frames {
		return fmt.Errorf("run %s: %w: %d frames, the run says %d", id, ErrChain, v.frames, info.Frames)
	}
	return nil
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
