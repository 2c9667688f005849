package canbus

// ChecksumKind is how a frame's checksum is computed.
type ChecksumKind uint8

// Checksum kinds. All run over the data id's bytes, if the map gives one, and
// then over the frame's bytes in order, the checksum's own byte left out.
const (
	ChecksumNone ChecksumKind = iota
	// ChecksumSum is the sum of the bytes modulo 256.
	ChecksumSum
	// ChecksumXor is the exclusive or of the bytes.
	ChecksumXor
	// ChecksumJ1850 is CRC-8 SAE J1850: polynomial 0x1D, start 0xFF, result
	// inverted, most significant bit first; 0x4B for "123456789" (from memory).
	ChecksumJ1850
)

// checksumNames are the kinds as maps write them, by kind.
var checksumNames = [...]string{"", "sum", "xor", "crc8-j1850"}

func (k ChecksumKind) String() string { return checksumNames[k] }

var j1850 = func() (t [256]byte) {
	for i := range t {
		c := byte(i)
		for range 8 {
			if c&0x80 != 0 {
				c = c<<1 ^ 0x1D
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return t
}()

// Checksum returns the checksum over the data id's bytes and those of data but
// data[at]; an at outside of data leaves none out.
func Checksum(kind ChecksumKind, dataID, data []byte, at int) byte {
	var sum byte
	if kind == ChecksumJ1850 {
		sum = 0xFF
	}
	for _, b := range dataID {
		sum = kind.add(sum, b)
	}
	for i, b := range data {
		if i != at {
			sum = kind.add(sum, b)
		}
	}
	if kind == ChecksumJ1850 {
		sum ^= 0xFF
	}
	return sum
}

func (k ChecksumKind) add(sum, b byte) byte {
	switch k {
	case ChecksumSum:
		return sum + b
	case ChecksumXor:
		return sum ^ b
	}
	return j1850[sum^b]
}
