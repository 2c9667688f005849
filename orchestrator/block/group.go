package block

import (
	"math"

	"github.com/klauspost/compress/fse"
)

// Groups. Series whose residuals look alike share one entropy table: a table of
// its own costs a series some twenty bytes, which a short piece cannot afford.

// mode says how a group's tokens are stored. Values are stored; never renumber.
type mode uint8

const (
	plain    mode = iota // one byte a token
	repeated             // one token, repeated
	entropy              // finite state entropy
)

// classesPerBit is how finely series are sorted by entropy before pooling.
const classesPerBit = 4

// histogram counts tokens. Few of them occur in a short piece, so that every loop
// ends at the highest one.
type histogram struct {
	count [lastToken + 1]uint32
	end   int // behind the highest token that occurs
}

func (h *histogram) add(o *histogram) {
	for i, n := range o.count[:o.end] {
		h.count[i] += n
	}
	h.end = max(h.end, o.end)
}

func (h *histogram) reset() {
	clear(h.count[:h.end])
	h.end = 0
}

// bits is the tokens' entropy in bits, and how many different ones there are.
func (h *histogram) bits() (total float64, symbols int) {
	n := 0
	for _, c := range h.count[:h.end] {
		if c > 0 {
			n += int(c)
			total -= weighed(int(c))
			symbols++
		}
	}
	return max(total+weighed(n), 0), symbols
}

// weighed is n*log2(n), of short pieces from a table.
func weighed(n int) float64 {
	if n < len(weights) {
		return weights[n]
	}
	return float64(n) * math.Log2(float64(n))
}

var weights = func() (w [1024]float64) {
	for n := 1; n < len(w); n++ {
		w[n] = float64(n) * math.Log2(float64(n))
	}
	return w
}()

// size estimates a group's stored size in bits, table included.
func (h *histogram) size() float64 {
	total, symbols := h.bits()
	return total + 48 + 6*float64(symbols)
}

// grouping assigns series to groups.
type grouping struct {
	class  []int // of each series, -1 for constant ones
	group  []int // of each series, -1 for constant ones
	groups int
}

// assign pools the series of one class where that is smaller than a table each.
func (g *grouping) assign(hists []histogram, active []bool, tokens int) {
	g.class, g.group, g.groups = g.class[:0], g.group[:0], 0
	for i := range hists {
		class := -1
		if active[i] {
			total, _ := hists[i].bits()
			class = int(classesPerBit * total / float64(tokens))
		}
		g.class = append(g.class, class)
		g.group = append(g.group, -1)
	}
	for i := range hists {
		if g.class[i] >= 0 && g.group[i] < 0 {
			g.pool(hists, i)
		}
	}
}

// pool gives series first and its class their groups.
func (g *grouping) pool(hists []histogram, first int) {
	var pooled histogram
	var apart float64
	for i := first; i < len(hists); i++ {
		if g.class[i] == g.class[first] {
			pooled.add(&hists[i])
			apart += hists[i].size()
		}
	}
	together := pooled.size() <= apart
	for i := first; i < len(hists); i++ {
		if g.class[i] == g.class[first] {
			g.group[i] = g.groups
			if !together {
				g.groups++
			}
		}
	}
	if together {
		g.groups++
	}
}

// pack chooses the group's mode and returns its payload, valid until the next
// call with the same scratch.
func pack(tokens []byte, h *histogram, s *fse.Scratch) (mode, []byte) {
	highest, most := 0, uint32(0)
	for i, n := range h.count[:h.end] {
		if n > 0 {
			highest = i
		}
		if n > most {
			most = n
		}
	}
	if int(most) == len(tokens) {
		return repeated, tokens[:1]
	}
	if len(tokens) < 16 {
		return plain, tokens
	}
	s.TableLog = 11
	if len(tokens) > 1<<15 {
		s.TableLog = 12
	}
	count := s.Histogram()
	clear(count)
	copy(count, h.count[:h.end])
	s.HistogramFinished(uint8(highest), int(most))
	out, err := fse.Compress(tokens, s)
	if err != nil {
		return plain, tokens // too even to gain anything: still lossless
	}
	return entropy, out
}
