package store

import (
	"encoding/binary"
	"encoding/json"
	"fmt"

	bolt "go.etcd.io/bbolt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Begin starts a run and returns its recorder. It is durable on return. A
// latched bench is refused with ErrLatched, one with a run under way with
// ErrRunning.
func (s *Store) Begin(r Run) (*Recorder, error) {
	rec, err := s.beginRun(r)
	if err != nil {
		return nil, fmt.Errorf("begin a run on bench %s: %w", r.Bench, err)
	}
	return rec, nil
}

func (s *Store) beginRun(r Run) (*Recorder, error) {
	if err := checkName("bench", r.Bench); err != nil {
		return nil, err
	}
	if err := checkName("module", r.Module); err != nil {
		return nil, err
	}
	if r.Layout == nil || len(r.Layout.Channels) == 0 {
		return nil, fmt.Errorf("%w: a run without a layout", ErrBadValue)
	}
	if n := len(r.Layout.Channels); n > channelsMost {
		return nil, fmt.Errorf("%w: a layout of %d channels; at most %d", ErrBadValue, n, channelsMost)
	}
	layout, err := json.Marshal(r.Layout)
	if err != nil {
		return nil, err
	}
	info := RunInfo{
		Bench: r.Bench, Module: r.Module, Profile: r.Profile, PlanDigest: r.PlanDigest,
		Who: r.Who, Virtual: r.Virtual, Start: r.Start, Verdict: Unproven,
		PlanSum: textSum(r.Plan), LayoutSum: textSum(layout), CriteriaSum: textSum([]byte(r.Criteria)),
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil, ErrClosed
	}
	for _, other := range s.recorders {
		if other.start.Bench == r.Bench {
			return nil, fmt.Errorf("%w: %s", ErrRunning, other.ID())
		}
	}
	// A latch is told before a lack of room; putRun looks once more.
	switch _, latched, err := s.Latch(r.Bench); {
	case err != nil:
		return nil, err
	case latched:
		return nil, ErrLatched
	}
	no, err := s.putRun(&info, r.Plan, layout, []byte(r.Criteria))
	if err != nil {
		return nil, err
	}
	rec := newRecorder(s, no, info, r.Layout)
	s.recorders[no] = rec
	return rec, nil
}

// beginRoom must be left, twice over, when a run begins. The last free pages
// might hold its plan and not its first second: then it would energise only to
// be stopped.
const beginRoom = 48 << 10

// putRun stores a new run and gives it its name.
func (s *Store) putRun(info *RunInfo, texts ...[]byte) (no uint32, err error) {
	bytes := 0
	for _, text := range texts {
		bytes += len(text)
	}
	err = s.update(routine, bytes+beginRoom, func(tx *bolt.Tx) error {
		if tx.Bucket(latchBucket).Get([]byte(info.Bench)) != nil {
			return ErrLatched
		}
		runs := tx.Bucket(runBucket)
		n, err := runs.NextSequence()
		if err != nil {
			return err
		}
		no = uint32(n)
		info.ID = runID(no)
		for _, text := range texts {
			if err := putText(tx, text); err != nil {
				return err
			}
		}
		if err := putJSON(runs, key32(no), info); err != nil {
			return err
		}
		if err := tx.Bucket(openBucket).Put(key32(no), []byte{}); err != nil {
			return err
		}
		return putAudit(tx, Audit{At: info.Start, Who: info.Who, Bench: info.Bench, Run: info.ID, What: "begin", Text: "module " + info.Module + " profile " + info.Profile})
	})
	return no, err
}

// putText stores a text under its digest, once.
func putText(tx *bolt.Tx, text []byte) error {
	b, key := tx.Bucket(textBucket), []byte(textSum(text))
	if b.Get(key) != nil {
		return nil
	}
	return b.Put(key, packText(text))
}

// putEnd stores how the run ended. Sealed says that all of it is sealed; else
// the next Open does that.
func (r *Recorder) putEnd(tx *bolt.Tx, end *ending, sealed bool) error {
	info := r.start
	info.Outcome, info.Reason, info.End = end.outcome, end.reason, end.at
	if err := extent(tx, r.no, &info); err != nil {
		return err
	}
	if sealed {
		info.Head = hexSum(r.head)
		if err := tx.Bucket(openBucket).Delete(key32(r.no)); err != nil {
			return err
		}
	}
	if err := putJSON(tx.Bucket(runBucket), key32(r.no), info); err != nil {
		return err
	}
	// A tripped run's mark goes by MarkSafe, once current is proven zero, or by
	// an acknowledgement; its end alone proves nothing.
	if end.outcome != machine.OutcomeTripped {
		if err := r.dropMark(tx); err != nil {
			return err
		}
	}
	return putAudit(tx, Audit{At: end.at, Bench: info.Bench, Run: info.ID, What: "finish", Text: string(end.outcome) + " " + end.reason})
}

// extent fills in how many frames of the run are stored, and until when.
func extent(tx *bolt.Tx, no uint32, info *RunInfo) error {
	info.Frames, info.LastFrame = 0, 0
	if k, v := lastOf(tx.Bucket(chunkBucket).Cursor(), no); k != nil {
		l, _, err := parseLink(v)
		if err != nil {
			return err
		}
		info.Frames = l.frame0 + uint64(l.frames)
		info.LastFrame = l.lastAt
	}
	return tailExtent(tx, no, info)
}

// tailExtent adds what pieces hold.
func tailExtent(tx *bolt.Tx, no uint32, info *RunInfo) error {
	if tx.Bucket(openBucket).Get(key32(no)) == nil {
		return nil
	}
	c := tx.Bucket(pieceBucket).Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if binary.BigEndian.Uint32(k[8:]) != no {
			continue
		}
		p, err := parsePiece(v)
		if err != nil {
			return err
		}
		if end := p.frame0 + uint64(p.frames); p.frames > 0 && end > info.Frames {
			info.Frames = end
			info.LastFrame = max(info.LastFrame, p.lastAt)
		}
	}
	return nil
}

// lastOf returns the last entry whose key begins with the run's number.
func lastOf(c *bolt.Cursor, no uint32) (k, v []byte) {
	if after, _ := c.Seek(key32(no + 1)); after == nil {
		k, v = c.Last()
	} else {
		k, v = c.Prev()
	}
	if k == nil || binary.BigEndian.Uint32(k) != no {
		return nil, nil
	}
	return k, v
}

// Run returns what is known of a run.
func (s *Store) Run(id string) (info RunInfo, err error) {
	no, err := runNumber(id)
	if err != nil {
		return info, err
	}
	err = s.view(func(tx *bolt.Tx) error {
		info, err = s.runInfo(tx, no)
		return err
	})
	return info, err
}

func (s *Store) runInfo(tx *bolt.Tx, no uint32) (info RunInfo, err error) {
	found, err := getJSON(tx.Bucket(runBucket), key32(no), &info)
	if err != nil {
		return info, fmt.Errorf("run %s: %w", runID(no), err)
	}
	if !found {
		return info, fmt.Errorf("run %s: %w", runID(no), ErrNotFound)
	}
	return info, s.complete(tx, no, &info)
}

// complete adds what is not in the stored entry of a run that has not ended.
func (s *Store) complete(tx *bolt.Tx, no uint32, info *RunInfo) error {
	if info.Outcome != "" {
		return nil
	}
	if err := extent(tx, no, info); err != nil {
		return fmt.Errorf("run %s: %w", info.ID, err)
	}
	if s.options.ReadOnly {
		// Whoever recorded it would hold the file.
		info.Outcome, info.Reason, info.End = machine.OutcomeInterrupted, noCleanEnd, info.LastFrame
	}
	return nil
}

// noCleanEnd is the reason of an interrupted run.
const noCleanEnd = "the recording process ended without finishing the run"

// Runs returns the runs that f selects, the oldest first.
func (s *Store) Runs(f RunFilter) (list []RunInfo, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket(runBucket).Cursor()
		for k, v := c.Last(); k != nil && (f.Limit <= 0 || len(list) < f.Limit); k, v = c.Prev() {
			var info RunInfo
			if err := json.Unmarshal(v, &info); err != nil {
				return fmt.Errorf("%w: run %x: %w", ErrDamaged, k, err)
			}
			if !f.selects(&info) {
				continue
			}
			if err := s.complete(tx, binary.BigEndian.Uint32(k), &info); err != nil {
				return err
			}
			list = append(list, info)
		}
		return nil
	})
	for i, j := 0, len(list)-1; i < j; i, j = i+1, j-1 {
		list[i], list[j] = list[j], list[i]
	}
	return list, err
}

func (f *RunFilter) selects(i *RunInfo) bool {
	return (f.Bench == "" || f.Bench == i.Bench) &&
		(f.Module == "" || f.Module == i.Module) &&
		(!f.Open || i.Outcome == "")
}

// Plan returns the run's plan in canonical JSON.
func (s *Store) Plan(id string) ([]byte, error) {
	return s.text(id, func(i *RunInfo) string { return i.PlanSum })
}

// Criteria returns the text of the run's criteria.
func (s *Store) Criteria(id string) (string, error) {
	text, err := s.text(id, func(i *RunInfo) string { return i.CriteriaSum })
	return string(text), err
}

// Layout returns the run's layout, indexed.
func (s *Store) Layout(id string) (*drivers.Layout, error) {
	text, err := s.LayoutText(id)
	if err != nil {
		return nil, err
	}
	l := &drivers.Layout{}
	if err := json.Unmarshal(text, l); err != nil {
		return nil, fmt.Errorf("layout of run %s: %w: %w", id, ErrDamaged, err)
	}
	return l, l.Index()
}

// LayoutText returns the run's layout in JSON, as its digest covers it.
func (s *Store) LayoutText(id string) ([]byte, error) {
	return s.text(id, func(i *RunInfo) string { return i.LayoutSum })
}

// text returns a run's stored text, checked against its digest.
func (s *Store) text(id string, which func(*RunInfo) string) (text []byte, err error) {
	info, err := s.Run(id)
	if err != nil {
		return nil, err
	}
	digest := which(&info)
	err = s.view(func(tx *bolt.Tx) error {
		packed := tx.Bucket(textBucket).Get([]byte(digest))
		if packed == nil {
			return fmt.Errorf("run %s: text %.12s: %w", id, digest, ErrNotFound)
		}
		text, err = unpackText(packed)
		text = append([]byte(nil), text...)
		return err
	})
	if err == nil && textSum(text) != digest {
		err = fmt.Errorf("run %s: text %.12s: %w: it has changed", id, digest, ErrChain)
	}
	return text, err
}
