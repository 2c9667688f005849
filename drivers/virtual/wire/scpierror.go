package wire

import "fmt"

// scpiError is an entry of the error/event queue (SCPI-1999 vol. 2, 21.8).
type scpiError struct {
	code int
	info string // device-dependent, after the text
}

// fault makes an entry, with what the instrument has to say about it.
func fault(code int, info ...any) *scpiError {
	return &scpiError{code, fmt.Sprint(info...)}
}

// texts are the standard's, for the errors that these instruments can have.
var texts = map[int]string{
	0:    "No error",
	-100: "Command error", -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator",
	-104: "Data type error", -108: "Parameter not allowed", -109: "Missing parameter",
	-111: "Header separator error", -112: "Program mnemonic too long", -113: "Undefined header",
	-114: "Header suffix out of range", -121: "Invalid character in number", -123: "Exponent too large",
	-124: "Too many digits", -128: "Numeric data not allowed", -131: "Invalid suffix", -134: "Suffix too long",
	-138: "Suffix not allowed", -141: "Invalid character data", -148: "Character data not allowed",
	-151: "Invalid string data", -158: "String data not allowed", -168: "Block data not allowed",
	-171: "Invalid expression", -178: "Expression data not allowed",
	-200: "Execution error", -221: "Settings conflict", -222: "Data out of range", -223: "Too much data",
	-224: "Illegal parameter value", -240: "Hardware error", -350: "Queue overflow", -363: "Input buffer overrun",
	-430: "Query DEADLOCKED", -440: "Query UNTERMINATED after indefinite response",
}

// textMax bounds text and information together (SCPI-1999 vol. 2, 21.8.1).
const textMax = 255

// String is the entry as SYSTem:ERRor? answers it.
func (e scpiError) String() string {
	text := texts[e.code]
	if e.info != "" {
		text += ";" + e.info
	}
	if len(text) > textMax {
		text = text[:textMax]
	}
	return fmt.Sprintf("%d,\"%s\"", e.code, text)
}

// Bits of the standard event status register (IEEE 488.2, 11.5.1).
const (
	eventComplete  = 0x01 // OPC
	eventQuery     = 0x04 // QYE
	eventDevice    = 0x08 // DDE
	eventExecution = 0x10 // EXE
	eventCommand   = 0x20 // CME
	eventPowerOn   = 0x80 // PON
)

// event is the bit that an error sets (SCPI-1999 vol. 2, 21.8.9 to 21.8.16).
func (e scpiError) event() uint16 {
	switch {
	case e.code > 0 || e.code <= -300 && e.code > -400:
		return eventDevice
	case e.code <= -100 && e.code > -200:
		return eventCommand
	case e.code <= -200 && e.code > -300:
		return eventExecution
	case e.code <= -400 && e.code > -500:
		return eventQuery
	}
	return 0
}
