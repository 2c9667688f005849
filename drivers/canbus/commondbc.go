package canbus

import (
	"fmt"
	"strings"
)

// Bounds of the common monitor: what its identifiers leave room for.
const (
	CommonCellsMax = 512
	CommonTempsMax = 512
)

// Identifiers of the common monitor's frames; where there are several of a
// kind, the first one's.
const (
	CommonBleedID    = 0x080 // bleed command, to the monitor
	CommonCurrentID  = 0x0C0
	CommonCellsID    = 0x100
	CommonTempsID    = 0x1C0
	CommonBleedingID = 0x280 // bleed state
	CommonIdentityID = 0x700
	CommonRequestID  = 0x701 // identity request, to the monitor
)

// perFrame is how many 16-bit values a frame of the common monitor carries.
const perFrame = 3

// CommonDBC is the DBC file of the common monitor (invented; the one that the
// virtual bench speaks) for 1 to 512 cells and 1 to 512 temperature sensors.
// Outside of that it is cut to the nearest.
//
// Every frame but the identity's ends with a counter and a checksum, one byte
// each. Values lie three to a frame, little-endian, 16 bits each; what a frame
// has no value for is filled with ones.
//
//	Cells_k         0x100+k-1   cells 3k-2 to 3k, 0.1 mV from -0.5 V; 65535: none
//	Temperatures_k  0x1C0+k-1   sensors 3k-2 to 3k, 0.1 K from 200 K; 65535: none
//	Current         0x0C0       1 mA, signed 32 bits, charging positive
//	Bleed_State_k   0x280+k-1   three masks of 16 cells, lowest bit first
//	Bleed_Command_k 0x080+k-1   the same, to the monitor
//	Identity        0x700       page number, then 7 letters of ASCII filled with 0
//	Identity_Request 0x701      to the monitor: every page at once, please
//
// A counter rises by one with each frame of its identifier. A checksum is
// CRC-8 SAE J1850 over the identifier's two bytes, low one first, and all bytes
// of the frame before it. The monitor obeys a bleed command when the frame with
// the highest number has come and all frames of the command had one counter
// value; it ends bleeding by itself after the bench file's timeout.
func CommonDBC(cells, temps int) string {
	cells, temps = min(max(cells, 1), CommonCellsMax), min(max(temps, 1), CommonTempsMax)
	var b strings.Builder
	b.WriteString("VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_: Monitor Bench\n")
	values := func(kind, from, to string, first, n int, signal func(i int) string) {
		for k := 0; k*perFrame < n; k++ {
			fmt.Fprintf(&b, "\nBO_ %d %s_%d: 8 %s\n", first+k, kind, k+1, from)
			for i := range min(perFrame, n-k*perFrame) {
				fmt.Fprintf(&b, " SG_ "+signal(k*perFrame+i+1)+" %s\n", 16*i, to)
			}
			guard(&b, fmt.Sprintf("%s_%d", kind, k+1), 48, to)
		}
	}
	masks := (cells + 15) / 16
	values("Bleed_Command", "Bench", "Monitor", CommonBleedID, masks, func(i int) string {
		return fmt.Sprintf(`Bleed_%d : %%d|16@1+ (1,0) [0|65535] ""`, i)
	})
	fmt.Fprintf(&b, "\nBO_ %d Current: 6 Monitor\n SG_ Module_Current : 0|32@1- (0.001,0) [-2000|2000] \"A\" Bench\n", CommonCurrentID)
	guard(&b, "Current", 32, "Bench")
	values("Cells", "Monitor", "Bench", CommonCellsID, cells, func(i int) string {
		return fmt.Sprintf(`Cell%d_Voltage : %%d|16@1+ (0.0001,-0.5) [-0.5|6] "V"`, i)
	})
	values("Temperatures", "Monitor", "Bench", CommonTempsID, temps, func(i int) string {
		return fmt.Sprintf(`Temperature%d : %%d|16@1+ (0.1,200) [200|600] "K"`, i)
	})
	values("Bleed_State", "Monitor", "Bench", CommonBleedingID, masks, func(i int) string {
		return fmt.Sprintf(`Bleeding_%d : %%d|16@1+ (1,0) [0|65535] ""`, i)
	})
	fmt.Fprintf(&b, "\nBO_ %d Identity: 8 Monitor\n SG_ Identity_Page M : 0|8@1+ (1,0) [0|255] \"\" Bench\n", CommonIdentityID)
	page := 0
	for _, part := range []struct {
		name  string
		pages int
	}{{"Maker", 4}, {"Model", 4}, {"Serial", 4}, {"Firmware", 2}} {
		for i := range part.pages {
			fmt.Fprintf(&b, " SG_ %s_%d m%d : 8|56@1+ (1,0) [0|0] \"\" Bench\n", part.name, i+1, page)
			page++
		}
	}
	fmt.Fprintf(&b, "\nBO_ %d Identity_Request: 0 Bench\n", CommonRequestID)
	return b.String()
}

// guard adds a frame's counter and checksum, from bit at on.
func guard(b *strings.Builder, message string, at int, to string) {
	fmt.Fprintf(b, " SG_ %s_Counter : %d|8@1+ (1,0) [0|255] \"\" %s\n", message, at, to)
	fmt.Fprintf(b, " SG_ %s_Check : %d|8@1+ (1,0) [0|255] \"\" %s\n", message, at+8, to)
}
