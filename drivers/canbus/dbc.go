package canbus

import (
	"fmt"
	"math/big"
	"regexp"
	"strconv"
	"strings"

	"go.einride.tech/can/pkg/dbc"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// Bounds of a DBC file, so that a hostile one cannot exhaust memory.
const (
	maxDBC         = 4 << 20
	maxDBCProblems = 100
	maxSignals     = 2048 // of one message, over all values of its switch
)

// database is what a DBC file says of messages and signals.
type database struct {
	messages []*message
	byName   map[string]*message
	byID     map[uint32]*message // with effFlag where extended
	signals  map[string][]*signal
}

// message is a frame's description.
type message struct {
	at       tree.Pos
	id       uint32
	extended bool
	name     string
	size     int // bytes
	signals  []*signal
	mux      *signal
	// refused says why none of its signals can be used, and what to do.
	refused, remedy string
	told            bool
}

// key is the identifier with its format's flag.
func (m *message) key() uint32 {
	if m.extended {
		return m.id | effFlag
	}
	return m.id
}

type number uint8

const (
	integer number = iota
	float32Bits
	float64Bits
)

// signal is a DBC signal. Its numbers are what the file says in decimal,
// exactly.
type signal struct {
	at                         tree.Pos
	of                         *message
	name, unit                 string
	start, size                int
	big, signed                bool
	number                     number
	muxed                      bool
	muxValue                   uint64
	factor, offset, least, top *big.Rat
}

// full is the signal's name with its message's.
func (s *signal) full() string { return s.of.name + "." + s.name }

// ranged says whether the file declares a range; both ends 0 is the custom for
// none.
func (s *signal) ranged() bool { return s.least.Sign() != 0 || s.top.Sign() != 0 }

// dbcReader gathers a database.
type dbcReader struct {
	r    *tree.Report
	name string
	db   *database
	last *message // that SG_ statements belong to
	left int      // problems that may still be told
}

// readDBC reads messages and signals. Statements that say nothing about where
// values lie are skipped unread.
func readDBC(r *tree.Report, name string, src []byte) *database {
	d := &dbcReader{r: r, name: name, left: maxDBCProblems, db: &database{
		byName: map[string]*message{}, byID: map[uint32]*message{}, signals: map[string][]*signal{},
	}}
	if len(src) > maxDBC {
		r.Addf(tree.Pos{File: name}, "cut it down to the monitor's messages", "the DBC file has %d bytes, more than %d", len(src), maxDBC)
		return d.db
	}
	list, open := statements(dbcText(src))
	if open > 0 {
		d.problem(tree.Pos{File: name, Line: open, Col: 1}, "end it with a quotation mark", "a string begins on this line and never ends")
	}
	for _, s := range list {
		switch s.keyword {
		case "BO_":
			d.message(s)
		case "SG_":
			d.signal(s)
		case "SIG_VALTYPE_":
			d.last = nil
			d.valueType(s)
		case "SG_MUL_VAL_":
			d.last = nil
			d.extendedMux(s)
		default:
			d.last = nil
		}
	}
	if len(d.db.messages) == 0 && d.left == maxDBCProblems {
		d.problem(tree.Pos{File: name}, "a message is written `BO_ 256 Cells_1: 8 Monitor`", "there is no message in this DBC file")
	}
	return d.db
}

func (d *dbcReader) problem(at tree.Pos, right, format string, args ...any) {
	if d.left--; d.left >= 0 {
		d.r.Addf(at, right, format, args...)
	} else if d.left == -1 {
		d.r.Add(tree.Pos{File: d.name}, "there are more problems in this DBC file", "mend these first")
	}
}

// parse has the library read one statement.
func (d *dbcReader) parse(s statement, like string) (def dbc.Def) {
	at := tree.Pos{File: d.name, Line: s.line, Col: 1}
	// The library's own panics are errors of the file; whatever else panics in
	// it must be so too.
	defer func() {
		if p := recover(); p != nil {
			d.problem(at, "write it as "+like, "%s cannot be read", s.keyword)
			def = nil
		}
	}()
	p := dbc.NewParser(d.name, []byte(s.text))
	if err := p.Parse(); err != nil {
		pos := err.Position()
		d.problem(tree.Pos{File: d.name, Line: s.line + max(pos.Line, 1) - 1, Col: max(pos.Column, 1)}, "write it as "+like, "%s: %s", s.keyword, err.Reason())
		return nil
	}
	defs := p.Defs()
	if len(defs) != 1 {
		pos := defs[1].Position()
		d.problem(tree.Pos{File: d.name, Line: s.line + pos.Line - 1, Col: pos.Column}, "write each statement on a line of its own, as "+like, "what follows %s is no DBC statement", s.keyword)
		return nil
	}
	return defs[0]
}

const (
	messageLike   = `BO_ 256 Cells_1: 8 Monitor`
	signalLike    = `SG_ Cell1_Voltage : 0|16@1+ (0.0001,0) [0|5] "V" Bench`
	valueTypeLike = `SIG_VALTYPE_ 256 Cell1_Voltage : 1;`
)

func (d *dbcReader) message(s statement) {
	d.last = &message{name: "?"} // takes the signals of one that cannot be read
	def, ok := d.parse(s, messageLike).(*dbc.MessageDef)
	if !ok {
		return
	}
	m := &message{at: d.at(s, def), id: def.MessageID.ToCAN(), extended: def.MessageID.IsExtended(), name: string(def.Name)}
	d.last = m
	if def.MessageID == dbc.IndependentSignalsMessageID {
		return // a list of signals that are in no frame
	}
	if first := d.db.byID[m.key()]; first != nil {
		d.problem(m.at, "give each message its own, or delete one", "identifier %#x belongs to %s already (line %d)", m.id, first.name, first.at.Line)
		return
	}
	if first := d.db.byName[m.name]; first != nil {
		d.problem(m.at, "rename one", "message %s was declared on line %d", m.name, first.at.Line)
		return
	}
	if def.Size > maxPayload {
		m.refused = fmt.Sprintf("message %s has %d bytes; a classical frame carries at most %d", m.name, def.Size, maxPayload)
		m.remedy = "set the monitor to send classical frames, and describe these"
	}
	m.size = int(min(def.Size, maxPayload))
	d.db.messages = append(d.db.messages, m)
	d.db.byID[m.key()], d.db.byName[m.name] = m, m
}

func (d *dbcReader) at(s statement, def dbc.Def) tree.Pos {
	p := def.Position()
	return tree.Pos{File: d.name, Line: s.line + p.Line - 1, Col: p.Column}
}

// nested is a signal that is multiplexed and a switch itself.
var nested = regexp.MustCompile(`^(\s*SG_\s+\w+\s+m\d+)M(\s*:)`)

const flatten = "only one switch (M) with signals m0, m1, ... is understood: have the monitor send these signals in a message of their own, or describe each combination as a message with one switch"

func (d *dbcReader) signal(s statement) {
	if d.last == nil {
		d.problem(tree.Pos{File: d.name, Line: s.line, Col: 1}, "put it below its message, which begins with BO_", "SG_ stands outside of a message")
		return
	}
	m := d.last
	if len(m.signals) >= maxSignals {
		m.refused, m.remedy = fmt.Sprintf("message %s has more than %d signals", m.name, maxSignals), "cut the file down to the monitor's signals"
		return
	}
	if nested.MatchString(s.text) {
		s.text = nested.ReplaceAllString(s.text, "$1 $2") // one letter for another: columns stay
		m.refused, m.remedy = fmt.Sprintf("message %s is multiplexed in more than one level (extended multiplexing)", m.name), flatten
	}
	def, ok := d.parse(s, signalLike).(*dbc.SignalDef)
	if !ok {
		return
	}
	g := &signal{
		at: d.at(s, def), of: m, name: string(def.Name), unit: strings.TrimSpace(def.Unit),
		start: int(min(def.StartBit, 1<<16)), size: int(min(def.Size, 1<<16)), big: def.IsBigEndian, signed: def.IsSigned,
		muxed: def.IsMultiplexed, muxValue: def.MultiplexerSwitch,
		factor: decimal(def.Factor), offset: decimal(def.Offset), least: decimal(def.Minimum), top: decimal(def.Maximum),
	}
	for _, other := range m.signals {
		if other.name == g.name {
			d.problem(g.at, "rename or delete one", "message %s has a signal %s already (line %d)", m.name, g.name, other.at.Line)
			return
		}
	}
	if def.IsMultiplexerSwitch {
		if m.mux != nil {
			m.refused, m.remedy = fmt.Sprintf("message %s has two multiplexer switches, %s and %s", m.name, m.mux.name, g.name), flatten
		}
		m.mux = g
	}
	m.signals = append(m.signals, g)
	if d.db.byName[m.name] == m {
		d.db.signals[g.name] = append(d.db.signals[g.name], g)
	}
}

// decimal is the number that the file's author wrote: the shortest decimal
// that reads as f. The library gives it as the nearest float, which for 0.0001
// is another number.
func decimal(f float64) *big.Rat {
	r, ok := new(big.Rat).SetString(strconv.FormatFloat(f, 'g', -1, 64))
	if !ok {
		return new(big.Rat)
	}
	return r
}

func (d *dbcReader) find(id dbc.MessageID, name string) *signal {
	key := id.ToCAN()
	if id.IsExtended() {
		key |= effFlag
	}
	if m := d.db.byID[key]; m != nil {
		for _, g := range m.signals {
			if g.name == name {
				return g
			}
		}
	}
	return nil
}

func (d *dbcReader) valueType(s statement) {
	def, ok := d.parse(s, valueTypeLike).(*dbc.SignalValueTypeDef)
	if !ok {
		return
	}
	g := d.find(def.MessageID, string(def.SignalName))
	if g == nil {
		d.problem(d.at(s, def), "declare the signal before its type", "there is no signal %s in a message %d", def.SignalName, uint32(def.MessageID))
		return
	}
	g.number = map[dbc.SignalValueType]number{
		dbc.SignalValueTypeFloat32: float32Bits, dbc.SignalValueTypeFloat64: float64Bits,
	}[def.SignalValueType]
}

// muxRanges is the statement that extended multiplexing is declared with:
// message, signal, its switch, and the values for which it is sent.
var muxRanges = regexp.MustCompile(`^\s*SG_MUL_VAL_\s+(\d+)\s+(\w+)\s+(\w+)\s+([0-9,\s-]+);`)

// extendedMux refuses the message that the statement is about, save where it
// only says again what m0, m1, ... say.
func (d *dbcReader) extendedMux(s statement) {
	f := muxRanges.FindStringSubmatch(s.text)
	if f == nil {
		return // for no message that could be found
	}
	id, err := strconv.ParseUint(f[1], 10, 32)
	if err != nil {
		return
	}
	g := d.find(dbc.MessageID(id), f[2])
	if g == nil {
		return
	}
	once := fmt.Sprintf("%d-%d", g.muxValue, g.muxValue)
	if g.muxed && g.of.mux != nil && g.of.mux.name == f[3] && strings.TrimSpace(f[4]) == once {
		return
	}
	g.of.refused, g.of.remedy = fmt.Sprintf("message %s uses extended multiplexing (signal %s is sent for %s of %s)", g.of.name, g.name, strings.TrimSpace(f[4]), f[3]), flatten
}
