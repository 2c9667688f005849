package wire

// queueSize is how many errors the queue holds.
const queueSize = 20

// errorQueue is the error/event queue: first in, first out; when it is full the
// newest entry says so (SCPI-1999 vol. 2, 21.8.1).
type errorQueue struct{ list []scpiError }

func (q *errorQueue) push(e scpiError) {
	if len(q.list) < queueSize {
		q.list = append(q.list, e)
		return
	}
	q.list[len(q.list)-1] = scpiError{code: -350}
}

func (q *errorQueue) pop() scpiError {
	if len(q.list) == 0 {
		return scpiError{}
	}
	e := q.list[0]
	q.list = append(q.list[:0], q.list[1:]...)
	return e
}

// registers is one of SCPI's status structures: a condition, what of it was seen
// to rise, and what of that is passed on.
type registers struct {
	condition, event, enable uint16
}

// now follows the condition; events are its rising edges.
func (r *registers) now(condition uint16) {
	r.event |= condition &^ r.condition
	r.condition = condition
}

// status is what IEEE 488.2 and SCPI-1999 demand of every instrument.
type status struct {
	errors                  errorQueue
	event                   uint16 // standard event status register
	eventEnable             uint16
	serviceEnable           uint16
	questionable, operation registers
}

func (s *status) fail(e *scpiError) {
	s.errors.push(*e)
	s.event |= e.event()
}

// clear is *CLS: events and errors, no enables.
func (s *status) clear() {
	s.errors.list = s.errors.list[:0]
	s.event, s.questionable.event, s.operation.event = 0, 0, 0
}

// Bits of the status byte (IEEE 488.2, 11.2; bits 2, 3 and 7 by SCPI-1999).
const (
	byteErrors       = 0x04
	byteQuestionable = 0x08
	byteMessage      = 0x10
	byteEvent        = 0x20
	byteMaster       = 0x40
	byteOperation    = 0x80
)

// word is the status byte; waiting says that an answer waits to be sent.
func (s *status) word(waiting bool) uint16 {
	var b uint16
	set := func(on bool, bit uint16) {
		if on {
			b |= bit
		}
	}
	set(len(s.errors.list) > 0, byteErrors)
	set(s.questionable.event&s.questionable.enable != 0, byteQuestionable)
	set(waiting, byteMessage)
	set(s.event&s.eventEnable != 0, byteEvent)
	set(s.operation.event&s.operation.enable != 0, byteOperation)
	set(b&s.serviceEnable&^byteMaster != 0, byteMaster)
	return b
}
