package wire

import (
	"encoding/binary"
	"encoding/hex"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// boxPeer is a bare Modbus TCP client.
type boxPeer struct {
	t *testing.T
	net.Conn
	n uint16
}

func dialBox(t *testing.T, address string) *boxPeer {
	t.Helper()
	c, err := net.Dial("tcp", strings.TrimPrefix(address, "tcp:"))
	require.NoError(t, err)
	require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second)))
	t.Cleanup(func() { _ = c.Close() })
	return &boxPeer{t: t, Conn: c}
}

// raw exchanges frames as hexadecimal text, spaces left out.
func (p *boxPeer) raw(frame string) string {
	p.t.Helper()
	out, err := hex.DecodeString(strings.ReplaceAll(frame, " ", ""))
	require.NoError(p.t, err)
	_, err = p.Write(out)
	require.NoError(p.t, err)
	head := make([]byte, 6)
	_, err = io.ReadFull(p, head)
	require.NoError(p.t, err)
	body := make([]byte, binary.BigEndian.Uint16(head[4:]))
	_, err = io.ReadFull(p, body)
	require.NoError(p.t, err)
	return hex.EncodeToString(append(head, body...))
}

// pdu exchanges a PDU with unit 1.
func (p *boxPeer) pdu(pdu ...byte) []byte {
	p.t.Helper()
	p.n++
	a := adu{transaction: p.n, unit: 1, pdu: pdu}
	back, err := hex.DecodeString(p.raw(hex.EncodeToString(a.bytes())))
	require.NoError(p.t, err)
	require.Equal(p.t, p.n, binary.BigEndian.Uint16(back))
	require.Equal(p.t, byte(1), back[6])
	return back[7:]
}

// write writes registers with function 16 and returns the exception.
func (p *boxPeer) write(at uint16, values ...uint16) byte {
	p.t.Helper()
	pdu := binary.BigEndian.AppendUint16([]byte{writeMany}, at)
	pdu = binary.BigEndian.AppendUint16(pdu, uint16(len(values)))
	pdu = append(pdu, byte(2*len(values)))
	for _, v := range values {
		pdu = binary.BigEndian.AppendUint16(pdu, v)
	}
	return p.code(p.pdu(pdu...))
}

func (p *boxPeer) code(pdu []byte) byte {
	if pdu[0]&0x80 != 0 {
		return pdu[1]
	}
	return 0
}

func (p *boxPeer) read(function byte, at, n uint16) []uint16 {
	p.t.Helper()
	back := p.pdu(function, byte(at>>8), byte(at), byte(n>>8), byte(n))
	require.Equal(p.t, []byte{function, byte(2 * n)}, back[:2], "%x", back)
	values := make([]uint16, n)
	for i := range values {
		values[i] = binary.BigEndian.Uint16(back[2+2*i:])
	}
	return values
}

// Frames and exceptions byte by byte: Modbus application protocol V1.1b3 (section
// 7: codes; the structure is checked before the addresses, as quoted in
// check-values) and the TCP header of the messaging guide (from memory).
func TestModbusFrames(t *testing.T) {
	r := newRig(t, nil)
	p := dialBox(t, r.address(virtual.DeviceBox))
	for _, c := range []struct{ what, request, response string }{
		{"read what is held", "0001 0000 0006 01 03 0000 0002", "0001 0000 0007 01 03 04 0000 0000"},
		{"one too many", "0002 0000 0006 01 03 0000 0003", "0002 0000 0003 01 83 02"},
		{"not held", "0003 0000 0006 01 03 0100 0001", "0003 0000 0003 01 83 02"},
		{"no registers", "0004 0000 0006 01 04 0000 0000", "0004 0000 0003 01 84 03"},
		{"126 registers", "0005 0000 0006 01 04 0000 007E", "0005 0000 0003 01 84 03"},
		{"across the gap", "0006 0000 0006 01 04 0004 0005", "0006 0000 0003 01 84 02"},
		{"beyond the end", "0007 0000 0006 01 04 FFFF 0002", "0007 0000 0003 01 84 02"},
		{"coils", "0008 0000 0006 01 01 0000 0001", "0008 0000 0003 01 81 01"},
		{"nonsense", "0009 0000 0002 01 2A", "0009 0000 0003 01 AA 01"},
		{"write one", "000A 0000 0006 01 06 0001 0011", "000A 0000 0006 01 06 0001 0011"},
		{"write two", "000B 0000 000B 01 10 0000 0002 04 0000 0012", "000B 0000 0006 01 10 0000 0002"},
		{"count and bytes differ", "000C 0000 0009 01 10 0000 0002 02 0000", "000C 0000 0003 01 90 03"},
		{"one too many written", "000D 0000 000B 01 10 0001 0002 04 0013 0000", "000D 0000 0003 01 90 02"},
		{"a bit without meaning", "000E 0000 0006 01 06 0000 0009", "000E 0000 0003 01 86 03"},
		{"the device itself", "000F 0000 0006 FF 03 0001 0001", "000F 0000 0005 FF 03 02 0012"},
		{"another unit", "0010 0000 0006 07 03 0000 0001", "0010 0000 0003 07 83 0B"},
	} {
		require.Equal(t, strings.ToLower(strings.ReplaceAll(c.response, " ", "")), p.raw(c.request), c.what)
	}
	_, err := p.Write([]byte{0, 1, 0, 99, 0, 6, 1, 3, 0, 0, 0, 1})
	require.NoError(t, err)
	_, err = p.Conn.Read(make([]byte, 1))
	require.Error(t, err, "what is no Modbus ends the connection")
}

// The box closes what it is told to while its heart beats, opens by itself when
// it does not, and closes nothing anew.
func TestBoxHeartbeat(t *testing.T) {
	r := newRig(t, nil)
	p := dialBox(t, r.address(virtual.DeviceBox))
	limit := drivers.Span(p.read(readInput, inHeartbeat, 1)[0]) * drivers.Millisecond
	require.Equal(t, virtual.WorkshopBench().Box.Heartbeat, limit)
	require.Zero(t, p.write(holdCommand, drivers.BoxNegative, 1))
	for beat := range uint16(20) {
		r.advance(limit / 4)
		require.Zero(t, p.write(holdHeartbeat, 2+beat))
	}
	require.Equal(t, []uint16{drivers.BoxNegative}, p.read(readInput, inState, 1))
	require.Equal(t, []uint16{drivers.BoxNegative}, p.read(readHolding, holdCommand, 1))
	// Reads, and writes of the same value, are no heartbeat.
	for range 8 {
		r.advance(limit / 4)
		p.read(readInput, 0, inputs)
		require.Zero(t, p.write(holdHeartbeat, 21))
	}
	require.Equal(t, []uint16{0}, p.read(readInput, inState, 1))
	require.Equal(t, []uint16{0}, p.read(readHolding, holdCommand, 1))
	for beat := range uint16(8) {
		require.Zero(t, p.write(holdHeartbeat, 100+beat))
		r.advance(limit / 4)
	}
	require.Equal(t, []uint16{0}, p.read(readInput, inState, 1), "a heart that beats again closes nothing")
	lines := r.told.lines(t)
	require.Equal(t, "none", lines[len(lines)-1].Text)
	require.Equal(t, 2, r.told.count(t, virtual.DeviceBox, Contacts))
	require.Equal(t, 1, r.told.count(t, virtual.DeviceBox, Heard))
}

// The emergency stop opens everything, refuses to close with exception 4, and
// its release closes nothing (INV-13).
func TestBoxEmergencyStop(t *testing.T) {
	r := newRig(t, nil)
	p := dialBox(t, r.address(virtual.DeviceBox))
	require.Zero(t, p.write(holdCommand, drivers.BoxNegative, 1))
	r.advance(200 * drivers.Millisecond)
	require.Equal(t, []uint16{drivers.BoxNegative}, p.read(readInput, inState, 1))
	r.rt.Do(func(b *virtual.Bench) { b.PressEmergencyStop(true) })
	r.advance(200 * drivers.Millisecond)
	require.Equal(t, []uint16{drivers.BoxEmergencyStop}, p.read(readInput, inState, 1))
	require.Equal(t, byte(deviceFailure), p.write(holdCommand, drivers.BoxNegative, 2))
	require.Equal(t, []uint16{0, 1}, p.read(readHolding, 0, 2), "it changed nothing")
	require.Zero(t, p.write(holdCommand, 0, 3), "opening is never refused")
	r.rt.Do(func(b *virtual.Bench) { b.PressEmergencyStop(false) })
	r.advance(200 * drivers.Millisecond)
	require.Equal(t, []uint16{0}, p.read(readInput, inState, 1))
}

// Quantities as the map says: mV and mA, high word first, text in pairs.
func TestBoxQuantities(t *testing.T) {
	r := newRig(t, nil)
	r.connect()
	s := dial(t, r.address(virtual.DeviceLoad))
	s.obey("CURR 10;:INP ON")
	r.run(drivers.Second)
	p := dialBox(t, r.address(virtual.DeviceBox))
	in := p.read(readInput, 0, inputs)
	var truth virtual.Truth
	r.rt.Do(func(b *virtual.Bench) { truth = b.Truth() })
	link, amps := int32(uint32(in[0])<<16|uint32(in[1])), int32(uint32(in[2])<<16|uint32(in[3]))
	assert.InDelta(t, float64(truth.Link)/1000, link, 10, "mV in 10 mV steps")
	assert.InDelta(t, -10_000, amps, 20, "mA, out of the article")
	assert.Equal(t, uint16(drivers.BoxNegative|drivers.BoxPositive), in[inState])
	again := p.read(readInput, inBeat, 1)
	assert.Greater(t, again[0], in[inBeat])
	text := p.read(readInput, inIdentity, identityEnd-inIdentity)
	var b strings.Builder
	for _, w := range text {
		b.WriteByte(byte(w >> 8))
		b.WriteByte(byte(w))
	}
	assert.Equal(t, "rigwarden\x00\x00\x00\x00\x00\x00\x00virtual box\x00\x00\x00\x00\x00workshop-7\x00\x00\x00\x00\x00\x001\x00\x00\x00\x00\x00\x00\x00", b.String())
}
