package wire

import (
	"encoding/binary"
	"fmt"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/plant"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// Frames of the common monitor; its DBC file says the same, and a test compares
// them.
const (
	idBleed    = 0x080
	idCurrent  = 0x0C0
	idCells    = 0x100
	idTemps    = 0x1C0
	idBleeding = 0x280
	idIdentity = 0x700
	idRequest  = 0x701

	perFrame = 3 // values of 16 bits in a frame

	cellZero = -500_000 // uV that raw 0 stands for
	cellStep = 100      // uV
	tempZero = 200_000  // mK
	tempStep = 100      // mK
	ampStep  = 1000     // uA

	absent16 = 0xFFFF
	absent32 = 0x80000000
)

// identityPages are how many pages of seven letters each part of the identity
// takes: maker, model, serial, firmware.
var identityPages = [4]int{4, 4, 4, 2}

// monitor is the cell monitor's way from its measurements to frames, and from
// frames to bleeding. It is used only inside virtual.Realtime.Do.
type monitor struct {
	record  *recorder
	counter byte
	beat    int32
	sweep   []canFrame // the latest, as sent
	back    []canFrame // a sweep that the next one is to overtake
	pending []lateSweep
	command []int32 // bleed words gathered so far
	heard   int     // frames of the command gathered
	tag     byte    // their counter
	chance  *plant.Rand
	emit    func([]canFrame)
}

// lateSweep is a sweep that a fault holds back.
type lateSweep struct {
	due    drivers.Instant
	frames []canFrame
}

// pendingMax bounds what is held back.
const pendingMax = 1024

func newMonitor(r *recorder, emit func([]canFrame)) *monitor {
	return &monitor{record: r, emit: emit, chance: plant.NewRand(1, 0x776972656c6f7374)}
}

// swept sends what the monitor has just measured, the way faults let it.
func (m *monitor) swept(b *virtual.Bench) {
	p, way := b.MonitorPanel(), b.Carriage()
	if latest := p.Latest(); m.sweep == nil || latest.Beat != m.beat && !way.Repeating {
		m.beat = latest.Beat
		m.counter++
		m.sweep = encode(b.Spec().Monitor, latest, m.counter)
	}
	if !p.Answers() || way.Stopped || m.happens(way.LostPPM) {
		return
	}
	due := b.Now().Add(way.Delay)
	switch {
	case m.back != nil: // it has been overtaken
		m.queue(due, m.sweep)
		m.queue(due, m.back)
		m.back = nil
	case m.happens(way.ReorderedPPM):
		m.back = m.sweep
	case m.happens(way.DoubledPPM):
		m.queue(due, m.sweep)
		m.queue(due, m.sweep)
	default:
		m.queue(due, m.sweep)
	}
	m.release(b)
}

// happens draws whether something with a probability happens; no draw is made
// for what cannot.
func (m *monitor) happens(ppm int64) bool {
	return ppm > 0 && int64(m.chance.IntN(1_000_000)) < ppm
}

func (m *monitor) queue(due drivers.Instant, frames []canFrame) {
	if len(m.pending) < pendingMax {
		m.pending = append(m.pending, lateSweep{due, frames})
	}
}

// restart is the monitor at power on: it counts anew, and half a command that it
// had heard is gone.
func (m *monitor) restart() {
	m.counter, m.beat, m.sweep = 0, 0, nil
	clear(m.command)
	m.heard, m.tag, m.back = 0, 0, nil
}

// release sends what was held back long enough; in order, and at once where the
// fault is over.
func (m *monitor) release(b *virtual.Bench) {
	over := b.Carriage().Delay == 0
	for len(m.pending) > 0 && (over || m.pending[0].due <= b.Now()) {
		m.emit(m.pending[0].frames)
		m.pending = m.pending[1:]
	}
}

// due is when the next held-back sweep goes out, if there is one.
func (m *monitor) due() (drivers.Instant, bool) {
	if len(m.pending) == 0 {
		return 0, false
	}
	return m.pending[0].due, true
}

// encode makes a sweep's frames, in the order in which a bus would let them
// through: the lowest identifier first (ISO 11898-1).
func encode(spec drivers.MonitorSpec, r *drivers.MonitorReading, counter byte) []canFrame {
	current := canFrame{id: idCurrent, size: 6}
	raw := uint32(absent32)
	if r.Current != noReading {
		raw = uint32(nearest(int64(r.Current)*int64(spec.CurrentStep), ampStep))
	}
	binary.LittleEndian.PutUint32(current.data[:], raw)
	current.seal(counter)
	frames := []canFrame{current}
	frames = values(frames, idCells, r.Cells, counter, func(c int32) uint16 {
		return raw16(c, int64(spec.CellStep), cellZero, cellStep)
	})
	frames = values(frames, idTemps, r.Temps, counter, func(c int32) uint16 {
		return raw16(c, int64(spec.TempStep), tempZero, tempStep)
	})
	return values(frames, idBleeding, r.Bleeding, counter, func(c int32) uint16 { return uint16(c) })
}

// values puts three values in each frame; a place without one is all ones.
func values(frames []canFrame, first uint16, counts []int32, counter byte, raw func(int32) uint16) []canFrame {
	for k := 0; k < len(counts); k += perFrame {
		f := canFrame{id: first + uint16(k/perFrame), size: 8}
		for i := range perFrame {
			v := uint16(absent16)
			if k+i < len(counts) {
				v = raw(counts[k+i])
			}
			binary.LittleEndian.PutUint16(f.data[2*i:], v)
		}
		f.seal(counter)
		frames = append(frames, f)
	}
	return frames
}

// raw16 is a count in steps of a signal that cannot hold everything.
func raw16(count int32, step, zero, signalStep int64) uint16 {
	if count == noReading {
		return absent16
	}
	v := nearest(int64(count)*step-zero, signalStep)
	if v < 0 || v >= absent16 {
		return absent16
	}
	return uint16(v)
}

// hear takes a frame from the bus: a part of a bleed command, or the wish to know
// who answers here. It returns what the monitor sends back at once.
func (m *monitor) hear(b *virtual.Bench, f canFrame, foreign bool) []canFrame {
	p := b.MonitorPanel()
	if !p.Answers() {
		return nil
	}
	words := (b.Spec().Monitor.Cells + 15) / 16
	last := (words - 1) / perFrame
	switch {
	case f.id == idRequest:
		return identity(b.Identity(virtual.DeviceMonitor), foreign)
	case f.id >= idBleed && int(f.id) <= idBleed+last && f.size == 8 && f.sealed():
		m.bleed(b, f, words, last)
	}
	return nil
}

// bleed gathers a command, whose frames carry one counter, and obeys it when the
// last one has come.
func (m *monitor) bleed(b *virtual.Bench, f canFrame, words, last int) {
	k := int(f.id - idBleed)
	if m.heard == 0 || f.data[6] != m.tag || k != m.heard {
		m.command, m.heard, m.tag = make([]int32, words), 0, f.data[6]
	}
	if k != m.heard { // an earlier part is missing
		return
	}
	for i := range perFrame {
		if w := k*perFrame + i; w < words {
			m.command[w] = int32(binary.LittleEndian.Uint16(f.data[2*i:]))
		}
	}
	if m.heard++; k < last {
		return
	}
	m.heard = 0
	m.record.heard(b, virtual.DeviceMonitor, fmt.Sprintf("bleed %s", bleedText(m.command)))
	// Why a monitor ignores a command shows in its bleed state and nowhere else:
	// a bus has no refusal.
	_ = b.MonitorPanel().Bleed(m.command)
}

// identity are the pages that say who the monitor is.
func identity(id drivers.Identity, foreign bool) []canFrame {
	if foreign {
		id = drivers.Identity{Maker: "elsewhere", Model: "some other monitor", Serial: "0", Firmware: "0"}
	}
	var frames []canFrame
	for part, text := range []string{id.Maker, id.Model, id.Serial, id.Firmware} {
		for range identityPages[part] {
			f := canFrame{id: idIdentity, size: 8}
			f.data[0] = byte(len(frames))
			text = text[copy(f.data[1:], text):]
			frames = append(frames, f)
		}
	}
	return frames
}
