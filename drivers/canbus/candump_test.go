package canbus

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The parse vectors of can-utils, as quoted in check-values 10.2 (read).
func TestParseFrameVectors(t *testing.T) {
	eight := [8]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}
	three := [8]byte{0x11, 0x22, 0x33}
	for text, want := range map[string]Frame{
		"123#":                                 {ID: 0x123},
		"12345678#":                            {ID: 0x12345678, Flags: Extended},
		"123#R":                                {ID: 0x123, Flags: Remote},
		"123#R7":                               {ID: 0x123, Flags: Remote, Len: 7},
		"123#00":                               {ID: 0x123, Len: 1},
		"123#1122334455667788":                 {ID: 0x123, Len: 8, Data: eight},
		"123#11.2233.44556677.88":              {ID: 0x123, Len: 8, Data: eight},
		"123#1122334455667788_E":               {ID: 0x123, Len: 8, DLC: 14, Data: eight},
		"32345678#112233":                      {ID: 0x12345678, Flags: ErrorFrame, Len: 3, Data: three},
		"123##0112233":                         {ID: 0x123, Flags: FD, Len: 3, Data: three},
		"123##1112233":                         {ID: 0x123, Flags: FD | FDSwitched, Len: 3, Data: three},
		"123##3":                               {ID: 0x123, Flags: FD | FDSwitched | FDPassive},
		"45123#81:00:12345678#11223344.556677": {ID: 0x123, Flags: XL, Len: 7, Data: [8]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77}},
	} {
		got, err := ParseFrame(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
		assert.Equal(t, got.Flags&^Extended == 0, got.IsData(), text)
	}
}

func TestParseFrameRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"":                                  "# are missing",
		"123":                               "# are missing",
		"1#00":                              "3 digits, or 8",
		"1234#00":                           "3 digits, or 8",
		"xyz#00":                            "not hexadecimal",
		"+12#00":                            "not hexadecimal",
		"800#00":                            "more than 11 bits",
		"92345678#00":                       "more than 29 bits",
		"62345678#00":                       "more than 29 bits",
		"123#1":                             "byte 1 is cut in half",
		"123#112":                           "byte 2 is cut in half",
		"123#.11":                           `byte 1, ".1", is not hexadecimal`,
		"123#11..22":                        "is not hexadecimal",
		"123#11.":                           "cut in half",
		"123#1g":                            "not hexadecimal",
		"123#112233445566778899":            "more than 8 bytes",
		"123#1122334455667788_8":            "9 to F",
		"123#1122334455667788_10":           "9 to F",
		"123#11_9":                          "9 to F",
		"123#R9":                            "0 to 8 bytes",
		"123#R10":                           "0 to 8 bytes",
		"123#R1122":                         "0 to 8 bytes",
		"32345678#R":                        "asks for no data",
		"123##":                             "flags are missing",
		"123##g":                            "not a hexadecimal digit",
		"123##0" + strings.Repeat("11", 9):  "cannot have 9 bytes",
		"123##0" + strings.Repeat("11", 65): "more than 64 bytes",
		"45123#81:00#11":                    "NNPPP#flags",
		"45123#81:00:1234567x#11":           "not hexadecimal",
		"45123#81:00:12345678#":             "at least one byte",
		"45823#81:00:12345678#11":           "more than 11 bits",
	} {
		f, err := ParseFrame(text)
		assert.ErrorContains(t, err, want, "%q", text)
		assert.Zero(t, f, "%q", text)
	}
}

func TestParseCandump(t *testing.T) {
	log := "(1700000000.123456) can0 123#1122\n" +
		"\r\n" +
		"(1700000000.123457890) vcan12 12345678#R4 R\r\n" +
		"half a line\n" +
		"(1700000000.5) can0 123#\n" +
		"(18446744073709551616.000000) can0 123#\n" +
		"(9223372036854.000000) can0 123#\n" +
		"1700000000.123456 can0 123#\n" +
		"(1700000001.000000) can0 " + strings.Repeat("1", 3*maxLogLine) + "\n" +
		"(1700000002.000000) can0 123#11 X\n" +
		"(1700000003.000000) can0 12"
	var got []string
	for rec, err := range ParseCandump(strings.NewReader(log)) {
		if err != nil {
			assert.Zero(t, rec)
			got = append(got, err.Error())
			continue
		}
		got = append(got, rec.String())
	}
	assert.Equal(t, []string{
		"(1700000000.123456) can0 123#1122",
		"(1700000000.123457) can0 12345678#R4",
		`candump log, line 4: time "half": a line is (seconds.microseconds) interface frame`,
		`candump log, line 5: time "(1700000000.5)": six or nine digits stand behind the point`,
		`candump log, line 6: time "(18446744073709551616.000000)": a line is (seconds.microseconds) interface frame`,
		`candump log, line 7: time "(9223372036854.000000)" is too great`,
		`candump log, line 8: time "1700000000.123456": a line is (seconds.microseconds) interface frame`,
		`candump log, line 9: more than 8192 characters`,
		`candump log, line 10: "(1700000002.000000) can0 123#11 X": a line is (seconds.microseconds) interface frame`,
		`candump log, line 11: frame "12": an identifier and # are missing`,
	}, got)
	// A reader may stop early.
	for range ParseCandump(strings.NewReader(log)) {
		break
	}
	for _, err := range ParseCandump(broken{}) {
		assert.ErrorIs(t, err, errBroken)
		assert.ErrorContains(t, err, "line 1")
	}
}

type broken struct{}

var errBroken = errors.New("the disk is gone")

func (broken) Read([]byte) (int, error) { return 0, errBroken }

func FuzzParseCandump(f *testing.F) {
	f.Add("(1700000000.123456) can0 123#1122334455667788_E\n")
	f.Add("(0.000000) can0 45123#81:00:12345678#11223344.556677 T\n(1.1) x")
	f.Add("(1.123456789) c 123##3\n(1.000000) c 32345678#112233\n")
	f.Fuzz(func(t *testing.T, text string) {
		lines := 0
		for rec, err := range ParseCandump(strings.NewReader(text)) {
			if lines++; lines > len(text)+1 {
				t.Fatal("more records than characters")
			}
			if err != nil {
				continue
			}
			if rec.At < 0 || rec.Frame.ID > effMask {
				t.Fatalf("impossible record %+v", rec)
			}
			if rec.Frame.Flags&(FD|XL) != 0 {
				continue
			}
			// What is written is read back.
			again, err := ParseFrame(rec.Frame.String())
			if err != nil || again != rec.Frame {
				t.Fatalf("%+v is written %s, which reads as %+v (%v)", rec.Frame, &rec.Frame, again, err)
			}
		}
	})
}

func FuzzParseRecord(f *testing.F) {
	for _, frame := range []Frame{
		{ID: 0x123, Len: 8, Data: [8]byte{1, 2, 3, 4, 5, 6, 7, 8}},
		{ID: 0x12345678, Flags: Extended | Remote, Len: 4},
		{ID: 0x40, Flags: ErrorFrame, Len: 8},
	} {
		var b [RecordSize]byte
		PutRecord(&b, &frame)
		f.Add(b[:])
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) < RecordSize {
			return
		}
		b := [RecordSize]byte(data)
		frame, err := ParseRecord(&b)
		if err != nil {
			return
		}
		var again [RecordSize]byte
		PutRecord(&again, &frame)
		back, err := ParseRecord(&again)
		if err != nil || back != frame {
			t.Fatalf("%+v becomes %+v (%v)", frame, back, err)
		}
	})
}

// The record is Linux's struct can_frame: identifier with flags in four bytes,
// length, three bytes of padding, data (linux/can.h, as quoted in check-values
// 10.2).
func TestRecord(t *testing.T) {
	for _, x := range []struct {
		frame Frame
		bytes string
	}{
		{Frame{ID: 0x123, Len: 2, Data: [8]byte{0xAA, 0xBB}}, "\x23\x01\x00\x00\x02\x00\x00\x00\xAA\xBB\x00\x00\x00\x00\x00\x00"},
		{Frame{ID: 0x12345678, Flags: Extended, Len: 1, Data: [8]byte{1}}, "\x78\x56\x34\x92\x01\x00\x00\x00\x01\x00\x00\x00\x00\x00\x00\x00"},
		{Frame{ID: 0x123, Flags: Remote, Len: 7}, "\x23\x01\x00\x40\x07\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"},
		{Frame{ID: 0x40, Flags: ErrorFrame, Len: 8}, "\x40\x00\x00\x20\x08\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00"},
	} {
		var b [RecordSize]byte
		PutRecord(&b, &x.frame)
		assert.Equal(t, x.bytes, string(b[:]))
		got, err := ParseRecord(&b)
		require.NoError(t, err)
		assert.Equal(t, x.frame, got)
	}
	_, err := ParseRecord(&[RecordSize]byte{4: 9})
	assert.ErrorContains(t, err, "9 bytes")
	_, err = ParseRecord(&[RecordSize]byte{1: 0x08})
	assert.ErrorContains(t, err, "longer than 11 bits")
}

// Values beside the polynomials: CRC-8 SAE J1850 gives 0x4B for "123456789"
// (from memory); sum and exclusive or by hand (computed).
func TestChecksum(t *testing.T) {
	nine := []byte("123456789")
	assert.EqualValues(t, 0x4B, Checksum(ChecksumJ1850, nil, nine, -1))
	assert.EqualValues(t, 0x4B, Checksum(ChecksumJ1850, nine[:2], nine[2:], -1), "the data id comes first")
	assert.EqualValues(t, 0x4B, Checksum(ChecksumJ1850, nil, []byte("1234x56789"), 4), "its own byte is left out")
	assert.EqualValues(t, 0xDD, Checksum(ChecksumSum, nil, nine, -1)) // 477 modulo 256
	assert.EqualValues(t, 0x31, Checksum(ChecksumXor, nil, nine, -1))
}
