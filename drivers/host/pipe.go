package host

import (
	"fmt"
	"io"
)

// pipe reads the lease records. It allocates nothing per record.
type pipe struct {
	k    *keeper
	done counter // records obeyed
}

// chunk is how many records are read at once; halts among them come first.
const chunk = 64

// run obeys records until the stream ends or is none, and then halts
// everything. It returns nil at a plain end.
func (p *pipe) run(r io.Reader) error {
	err := p.read(r)
	p.k.haltAll()
	return err
}

func (p *pipe) read(r io.Reader) error {
	var buf [chunk * RecordSize]byte
	var records [chunk]Record
	have := 0
	for {
		n, err := r.Read(buf[have:])
		have += n
		whole := have / RecordSize
		if bad := p.obey(buf[:whole*RecordSize], records[:whole]); bad != nil {
			return bad
		}
		have = copy(buf[:], buf[whole*RecordSize:have])
		switch {
		case err == io.EOF && have > 0:
			return fmt.Errorf("%w: the stream ended within one", ErrRecord)
		case err == io.EOF:
			return nil
		case err != nil:
			return fmt.Errorf("read the lease pipe: %w", err)
		}
	}
}

// obey carries out whole records, halts first.
func (p *pipe) obey(b []byte, records []Record) error {
	for i := range records {
		r, err := DecodeRecord(b[i*RecordSize:])
		if err != nil {
			return err
		}
		if records[i] = r; r.Kind == RecordHalt {
			p.k.haltOutputs(r.Epoch)
		}
	}
	for _, r := range records {
		if r.Kind == RecordRenew {
			p.k.renew(r.Epoch, r.Echo, r.Duration)
		}
	}
	if len(records) > 0 {
		p.done.raise(p.done.load() + uint64(len(records)))
	}
	return nil
}
