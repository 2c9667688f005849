package modbus

import "github.com/rigwarden/rigwarden/drivers"

// allContactors are the contactors there can be, in the order of their bits.
const allContactors drivers.Contactors = drivers.BoxNegative | drivers.BoxPrecharge | drivers.BoxPositive

var contactorNames = [...]string{"negative", "precharge", "positive"}

// commands are the coils or registers that close contactors.
type commands struct {
	table table
	outs  []out // by rising address
	// there are the contactors the box has.
	there drivers.Contactors
	// single writes with functions 5 and 6 only; many with 15 and 16 only;
	// neither: with what fits.
	single, many bool
	// blind: the device does not let its commands be read back.
	blind bool
}

// out is one coil or register: its value is what the contactors ask for, over
// what its other bits must be.
type out struct {
	at      uint16
	others  uint16
	on, off [3]uint16 // what each contactor's bit adds, closed and open
}

func (o *out) value(closed drivers.Contactors) uint16 {
	v := o.others
	for k := range o.on {
		if closed&(1<<k) != 0 {
			v |= o.on[k]
		} else {
			v |= o.off[k]
		}
	}
	return v
}

// say tells whether a bit is one that a command sets.
func (c *commands) say(at *point) bool {
	for i := range c.outs {
		o := &c.outs[i]
		bits := o.on[0] | o.on[1] | o.on[2] | o.off[0] | o.off[1] | o.off[2]
		if c.table == at.table && o.at == at.at && (at.bit < 0 || bits>>at.bit&1 != 0) {
			return true
		}
	}
	return false
}

// runs are the outs that one request can write.
func (c *commands) runs() [][]out {
	var runs [][]out
	for i, o := range c.outs {
		if i > 0 && !c.single && c.outs[i-1].at+1 == o.at {
			last := len(runs) - 1
			runs[last] = append(runs[last], o)
			continue
		}
		runs = append(runs, []out{o})
	}
	return runs
}

func (c *commands) write(run []out, closed drivers.Contactors) request {
	r := request{function: c.function(len(run)), at: run[0].at}
	for i := range run {
		r.values = append(r.values, run[i].value(closed))
	}
	r.count = len(r.values)
	return r
}

func (c *commands) function(n int) byte {
	single, many := writeRegister, writeRegisters
	if c.table == coil {
		single, many = writeCoil, writeCoils
	}
	if c.many || n > 1 {
		return many
	}
	return single
}

// open opens every contactor.
func (c *commands) open() []request {
	var list []request
	for _, run := range c.runs() {
		list = append(list, c.write(run, 0))
	}
	return list
}

// steps are the writes, in order, that close exactly want where from was
// commanded before. Where one write carries it all, it is one: nothing in
// between can be seen. Where it takes several, whatever opens does so before
// anything closes, so that what is closed on the way is part of the old or of
// the new combination, never a third one. Where from is not known everything
// opens first.
func (c *commands) steps(from, want drivers.Contactors, known bool) []request {
	runs := c.runs()
	var list []request
	if len(runs) > 1 {
		between := from & want
		if !known {
			from, between = allContactors, 0
		}
		for _, run := range runs {
			if !known || changes(run, from, between) {
				list = append(list, c.write(run, between))
			}
		}
	}
	for _, run := range runs {
		list = append(list, c.write(run, want))
	}
	return list
}

func changes(run []out, from, to drivers.Contactors) bool {
	for i := range run {
		if run[i].value(from) != run[i].value(to) {
			return true
		}
	}
	return false
}

// readBack are the reads that show what the device holds; none if it is blind.
func (c *commands) readBack() []request {
	if c.blind {
		return nil
	}
	read := readHolding
	if c.table == coil {
		read = readCoils
	}
	var list []request
	for _, run := range c.runs() {
		list = append(list, request{function: read, at: run[0].at, count: len(run)})
	}
	return list
}

// holds says whether what was read back means exactly these contactors.
func (c *commands) holds(replies []reply, closed drivers.Contactors) bool {
	for i, run := range c.runs() {
		for j := range run {
			if replies[i].words[j] != run[j].value(closed) {
				return false
			}
		}
	}
	return true
}
