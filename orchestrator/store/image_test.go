package store

import (
	"bytes"
	"math/rand/v2"
	"os"
)

// A write of the store is data pages, a sync, a header page, a sync. Whatever a
// power cut leaves of it is an image: the file before with some of the write's
// pages in it, in whatever order, whole or torn. Until the first sync has
// returned that is any part of the data pages and nothing of the header, after
// it all of the data and any part of the header. A disk that reports a sync and
// keeps nothing makes other images; against it no order of writes helps.

// diskWrite is one write as the disk sees it.
type diskWrite struct {
	kind          string
	before, after []byte
	data          []int // numbers of the pages that differ, without headers
	headers       []int
}

// sector is what a disk writes whole or not at all. The header is torn in
// smaller parts too: all of it lies in one sector.
const (
	sector = 512
	word   = 8
)

func newDiskWrite(kind string, before, after []byte) *diskWrite {
	w := &diskWrite{kind: kind, before: before, after: after}
	for p := range len(after) / os.Getpagesize() {
		switch {
		case bytes.Equal(pageOf(before, p), pageOf(after, p)):
		case p < 2:
			w.headers = append(w.headers, p)
		default:
			w.data = append(w.data, p)
		}
	}
	return w
}

// pageOf is a page of a file; behind its end there is nothing but zeros.
func pageOf(b []byte, p int) []byte {
	size := os.Getpagesize()
	if len(b) < (p+1)*size {
		return make([]byte, size)
	}
	return b[p*size : (p+1)*size]
}

// image is what a power cut left of a write.
type image struct {
	class string
	whole bool // the write is in it; else it must be as if it had never begun
	file  []byte
}

// canvas is the file before, as long as the file after, with some pages whole.
func (w *diskWrite) canvas(pages ...int) []byte {
	b := make([]byte, max(len(w.before), len(w.after)))
	copy(b, w.before)
	for _, p := range pages {
		w.paint(b, p, 0, os.Getpagesize())
	}
	return b
}

// paint brings part of a page to the disk, in bytes of the page.
func (w *diskWrite) paint(b []byte, p, from, to int) {
	at := p * os.Getpagesize()
	copy(b[at+from:at+to], pageOf(w.after, p)[from:to])
}

// exhaust makes every image of the write whose pages arrive in halves, and every
// one whose header arrives in words; false where there would be more than most.
func (w *diskWrite) exhaust(most int, each func(image)) bool {
	n := 1 << (2 * len(w.data)) // each page: nothing, either half, both
	words := w.headerWords()
	if len(w.data) > 8 || n+1<<len(words) > most {
		return false
	}
	half := os.Getpagesize() / 2
	for set := range n {
		b := w.canvas()
		for i, p := range w.data {
			for j := range 2 {
				if set>>(2*i+j)&1 == 1 {
					w.paint(b, p, j*half, (j+1)*half)
				}
			}
		}
		each(image{class: "halves of data pages", file: b})
	}
	for set := range 1 << len(words) {
		b := w.canvas(w.data...)
		for i, at := range words {
			if set>>i&1 == 1 {
				w.paint(b, w.headers[0], at, at+word)
			}
		}
		each(image{class: "words of the header", whole: set == 1<<len(words)-1, file: b})
	}
	return true
}

// headerWords are the places of the words that differ in the header.
func (w *diskWrite) headerWords() (at []int) {
	before, after := pageOf(w.before, w.headers[0]), pageOf(w.after, w.headers[0])
	for i := 0; i < len(after); i += word {
		if !bytes.Equal(before[i:i+word], after[i:i+word]) {
			at = append(at, i)
		}
	}
	return at
}

// corners are the images that every write has, beside the whole files.
func (w *diskWrite) corners() []image {
	list := []image{{"all data, no header", false, w.canvas(w.data...)}}
	if len(w.after) > len(w.before) {
		list = append(list, image{"longer, with nothing in it", false, w.canvas()})
	}
	return list
}

// draw makes one image by lot.
func (w *diskWrite) draw(rng *rand.Rand) image {
	switch k := rng.IntN(10); {
	case k < 4: // the pages arrive in some order; the power goes within one
		order := rng.Perm(len(w.data))
		n := rng.IntN(len(w.data) + 1)
		b := w.canvas()
		for _, i := range order[:n] {
			w.paint(b, w.data[i], 0, os.Getpagesize())
		}
		if n < len(w.data) {
			w.paint(b, w.data[order[n]], 0, sector*rng.IntN(os.Getpagesize()/sector))
		}
		return image{class: "data pages in an order, the last torn", file: b}
	case k < 7: // sectors of all pages in any order
		b := w.canvas()
		odds := 1 + rng.IntN(7)
		for _, p := range w.data {
			for at := 0; at < os.Getpagesize(); at += sector {
				if rng.IntN(8) < odds {
					w.paint(b, p, at, at+sector)
				}
			}
		}
		return image{class: "any sectors of data pages", file: b}
	default:
		b := w.canvas(w.data...)
		words := w.headerWords()
		lost := rng.IntN(len(words))
		for i, at := range words {
			if i != lost && rng.IntN(3) > 0 {
				w.paint(b, w.headers[0], at, at+word)
			}
		}
		return image{class: "header torn", file: b}
	}
}
