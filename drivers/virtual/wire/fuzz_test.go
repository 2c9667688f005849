package wire

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"io"
	"strings"
	"testing"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

// FuzzConversation sends anything to a supply. Whatever it was, the instrument
// answers no more often than it was asked, in one line of printable ASCII each,
// keeps its queue within bounds, its registers within its ranges, and its wits.
func FuzzConversation(f *testing.F) {
	for _, s := range []string{
		"*IDN?", "VOLT 5;CURR 1;:OUTP ON\nMEAS:VOLT?;CURR?", "SYST:ERR?\r", ":SOUR:VOLT:PROT MAX;STAT OFF", "*ESE 255;*SRE 1E1;*STB?",
		"CURR 1E99999", "VOLT 5 mV,(1,2)", "A 'x;\"y\n", "\x00\xff\x80", strings.Repeat("A", 5000) + "\n*OPC?", "*IDN?;*OPC?", "#B101;#15abc",
	} {
		f.Add([]byte(s))
	}
	b, err := virtual.New(benchConfig())
	if err != nil {
		f.Fatal(err)
	}
	spec := b.Spec().Supply
	f.Fuzz(func(t *testing.T, sent []byte) {
		in := newPower(virtual.DeviceSupply, spec, &recorder{})
		in.reset(b)
		m := newMessages(bytes.NewReader(append(bytes.Clone(sent), '\n')))
		for {
			text, overrun, err := m.next()
			if err != nil {
				break
			}
			if overrun {
				continue
			}
			check(t, in, b, text)
		}
		s := in.source
		for what, ok := range map[string]bool{
			"voltage":      s.volt >= 0 && s.volt <= int64(spec.VoltageMax),
			"current":      s.amp >= 0 && s.amp <= int64(spec.CurrentMax),
			"over-voltage": s.overVolt >= 0 && s.overVolt <= int64(spec.VoltageMax),
			"over-current": s.overAmp >= 0 && s.overAmp <= int64(spec.CurrentMax),
			"timeout":      s.silence >= 0 && s.silence <= int64(spec.CommTimeout),
			"errors":       len(in.status.errors.list) <= queueSize,
		} {
			if !ok {
				t.Fatalf("%s out of bounds after %q: %+v", what, sent, s)
			}
		}
		if got, _ := in.execute(b, "*CLS;*OPC?", false); got != "1" {
			t.Fatalf("after %q it answers %q", sent, got)
		}
		if got, _ := in.execute(b, "SYST:ERR?", false); got != `0,"No error"` {
			t.Fatalf("after %q and *CLS: %s", sent, got)
		}
		b.Panel(virtual.DeviceSupply).Apply(drivers.Setpoint{})
	})
}

// check carries a message out and looks at the answer.
func check(t *testing.T, in *instrument, b *virtual.Bench, text string) {
	before := len(in.status.errors.list)
	response, answered := in.execute(b, text, false)
	asked := strings.Count(text, "?")
	if answered && asked == 0 {
		t.Fatalf("%q was no question and got %q", text, response)
	}
	for i := range len(response) {
		if response[i] < ' ' || response[i] > '~' {
			t.Fatalf("%q got %q", text, response)
		}
	}
	// A message that was refused says so, unless its answer just took the error
	// away.
	units, bad := parse(text)
	if bad != nil && asked == 0 && len(in.status.errors.list) == before && before < queueSize && !cleared(units) {
		t.Fatalf("%q is wrong (%s) and left no error", text, bad)
	}
}

func cleared(units []unit) bool {
	for _, u := range units {
		if u.common && strings.EqualFold(u.header, "CLS") {
			return true
		}
	}
	return false
}

// FuzzModbus sends anything to the box's Modbus: the answer to a request is the
// request's function, whole or as an exception, and a read has as many registers
// as it says.
func FuzzModbus(f *testing.F) {
	for _, s := range []string{
		"\x00\x01\x00\x00\x00\x06\x01\x03\x00\x00\x00\x02", "\x00\x02\x00\x00\x00\x0b\x01\x10\x00\x00\x00\x02\x04\x00\x03\x00\x01",
		"\x00\x03\x00\x00\x00\x06\x01\x04\x00\x64\x00\x1c", "\x00\x04\x00\x00\x00\x02\x01\x2a", "\x00\x05\x00\x00\x00\x00\x01",
	} {
		f.Add([]byte(s))
	}
	b, err := virtual.New(benchConfig())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		r := bufio.NewReader(bytes.NewReader(sent))
		var x box
		for {
			a, err := readADU(r)
			if err != nil {
				break
			}
			back := answer(&boxBank{box: &x, b: b, record: &recorder{}}, a.pdu)
			switch {
			case len(back) < 2 || len(back) > pduMax:
				t.Fatalf("%x: %d bytes came back", a.pdu, len(back))
			case back[0] == a.pdu[0]|0x80 && a.pdu[0]&0x80 == 0:
				if len(back) != 2 || back[1] < 1 || back[1] > 11 {
					t.Fatalf("%x: exception %x", a.pdu, back)
				}
			case back[0] != a.pdu[0] && a.pdu[0]&0x80 == 0:
				t.Fatalf("%x: %x", a.pdu, back)
			case (back[0] == readInput || back[0] == readHolding) && len(back) != 2+int(back[1]):
				t.Fatalf("%x: %x", a.pdu, back)
			}
			again, err := readADU(bytes.NewReader(adu{a.transaction, a.unit, back}.bytes()))
			if err != nil || !bytes.Equal(again.pdu, back) {
				t.Fatalf("%x does not read back: %v", back, err)
			}
		}
		if x.command&^uint16(contactorBits) != 0 {
			t.Fatalf("command %#x", x.command)
		}
	})
}

// FuzzMonitor sends anything to the monitor: it keeps bleeding what it was told
// by whole commands, and nothing that must not bleed.
func FuzzMonitor(f *testing.F) {
	frame := bleedFrame(1, 5, 0x80)
	f.Add(string(frame.put(nil, binary.LittleEndian)))
	f.Add(string(canFrame{id: idRequest}.put(nil, binary.LittleEndian)))
	f.Add("\x80\x00\x00\x80\x08\x00\x00\x00abcdefgh")
	b, err := virtual.New(benchConfig())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, sent string) {
		m := newMonitor(&recorder{}, func([]canFrame) {})
		in := strings.NewReader(sent)
		for {
			var raw [frameSize]byte
			if _, err := io.ReadFull(in, raw[:]); err != nil {
				break
			}
			if c, ok := readFrame(&raw, binary.LittleEndian); ok {
				if back := m.hear(b, c, false); len(back) != 0 && c.id != idRequest {
					t.Fatalf("%+v got an answer", c)
				}
			}
		}
		w := b.MonitorPanel().Bleeding()
		if w[0]&(w[0]<<1) != 0 || w[1]&(w[1]<<1) != 0 || w[0]>>15&w[1]&1 != 0 || w[1]>>8 != 0 {
			t.Fatalf("bleeds %04x", w)
		}
	})
}
