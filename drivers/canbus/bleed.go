package canbus

import (
	"fmt"
	"slices"

	"github.com/rigwarden/rigwarden/drivers"
)

// bleeder makes the frames that tell a monitor which cells to bleed.
type bleeder struct {
	spec     *drivers.MonitorSpec
	messages []commandMessage
	counter  uint64
	last     []int32 // what the latest frames said
}

type commandMessage struct {
	of        *message
	parts     []commandPart
	constants []constant
	guard     *guardOf
}

// commandPart is where cells of one word lie in a frame.
type commandPart struct {
	bits
	word  int
	shift uint8
}

func newBleeder(m *Map, spec *drivers.MonitorSpec) *bleeder {
	b := &bleeder{spec: spec, last: make([]int32, (spec.Cells+15)/16)}
	for _, of := range m.bleed.messages {
		c := commandMessage{of: of, guard: m.guards[of]}
		cell := 0
		for _, s := range m.bleed.signals {
			for done := 0; done < s.signal.size && cell < spec.Cells; {
				n := min(s.signal.size-done, 16-cell%16, spec.Cells-cell)
				p := commandPart{bits: s.bits, word: cell / 16, shift: uint8(cell % 16)}
				p.bits.shift += uint8(done)
				p.size = uint8(n)
				if s.signal.of == of {
					c.parts = append(c.parts, p)
				}
				done += n
				cell += n
			}
		}
		for _, k := range m.bleed.constants {
			if k.signal.of == of {
				c.constants = append(c.constants, k)
			}
		}
		b.messages = append(b.messages, c)
	}
	return b
}

// allowed says why a set of cells cannot bleed.
func (b *bleeder) allowed(words []int32) error {
	if want := len(b.last); len(words) != want {
		return fmt.Errorf("%d words; %d are needed for %d cells", len(words), want, b.spec.Cells)
	}
	last := false // the cell before bleeds
	for k, w := range words {
		room := min(16, b.spec.Cells-16*k)
		switch {
		case uint32(w)>>room != 0:
			return fmt.Errorf("word %d is %#x; there are only %d cells", k+1, uint32(w), b.spec.Cells)
		case w == 0:
		case b.spec.Bleed == 0 || len(b.messages) == 0:
			return fmt.Errorf("the bench file or the signal map has no bleed resistors")
		case !b.spec.BleedNeighbours && (w&(w<<1) != 0 || last && w&1 != 0):
			return fmt.Errorf("neighbouring cells must not bleed at once")
		}
		last = w&(1<<15) != 0
	}
	return nil
}

// frames returns the frames of a command. Where it takes several and neighbours
// must not bleed at once, those that end bleeding go first: between two frames
// a new cell must not meet an old neighbour.
func (b *bleeder) frames(words []int32) (list []Frame) {
	if len(b.messages) > 1 && !b.spec.BleedNeighbours {
		both := slices.Clone(words)
		for k := range both {
			both[k] &= b.last[k]
		}
		if !slices.Equal(both, b.last) && !slices.Equal(both, words) {
			list = b.encode(list, both)
		}
	}
	copy(b.last, words)
	return b.encode(list, words)
}

func (b *bleeder) encode(list []Frame, words []int32) []Frame {
	b.counter++
	for _, m := range b.messages {
		f := Frame{ID: m.of.id, Len: uint16(m.of.size)}
		if m.of.extended {
			f.Flags = Extended
		}
		for _, k := range m.constants {
			k.bits.put(&f.Data, k.value)
		}
		for _, p := range m.parts {
			p.put(&f.Data, uint64(uint32(words[p.word]))>>p.shift)
		}
		if g := m.guard; g != nil && g.counter != nil {
			g.counter.bits.put(&f.Data, b.counter)
		}
		if g := m.guard; g != nil && g.checksum != nil {
			at := int(g.checksum.bits.need) - 1
			g.checksum.bits.put(&f.Data, uint64(Checksum(g.kind, g.dataID, f.Data[:f.Len], at)))
		}
		list = append(list, f)
	}
	return list
}
