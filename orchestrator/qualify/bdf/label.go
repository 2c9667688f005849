package bdf

import (
	"fmt"
	"strings"
)

// column is a quantity that Read understands.
type column uint8

const (
	colNone column = iota
	colTime
	colUnix
	colVoltage
	colCurrent
	colStepCount
	colStepID
	colRecord // index of the row within its step, restarts with each step
	colStepIn
	colStepOut
	colIn
	colOut
	columns
)

// label is one spelling of a column.
type label struct {
	col        column
	scale      float64
	deprecated string // the preferred label, for spellings that are out of use
}

// labels are the spellings in lower case: preferred labels, machine names, and
// those that ontology 1.3.0 calls deprecated.
var labels = map[string]label{
	"test time / s": {colTime, 1, ""}, "test_time_second": {colTime, 1, ""},
	"test time / ms": {colTime, 1e-3, "Test Time / s"}, "test_time_millisecond": {colTime, 1e-3, "Test Time / s"},
	"test time / min": {colTime, 60, "Test Time / s"}, "test_time_minute": {colTime, 60, "Test Time / s"},
	"test time / h": {colTime, 3600, "Test Time / s"}, "test_time_hour": {colTime, 3600, "Test Time / s"},
	"unix time / s": {colUnix, 1, ""}, "unix_time_second": {colUnix, 1, ""},
	"unix time / ms": {colUnix, 1e-3, "Unix Time / s"}, "unix_time_millisecond": {colUnix, 1e-3, "Unix Time / s"},
	"voltage / v": {colVoltage, 1, ""}, "voltage_volt": {colVoltage, 1, ""},
	"current / a": {colCurrent, 1, ""}, "current_ampere": {colCurrent, 1, ""},
	"step count / 1": {colStepCount, 1, ""}, "step_count": {colStepCount, 1, ""},
	"step id": {colStepID, 1, ""}, "step_id": {colStepID, 1, ""},
	"step record index / 1": {colRecord, 1, ""}, "step_record_index": {colRecord, 1, ""},
	"step index / 1": {colRecord, 1, "Step Record Index / 1"}, "step_index": {colRecord, 1, "Step Record Index / 1"},
	"step charging capacity / ah": {colStepIn, 1, ""}, "step_charging_capacity_ah": {colStepIn, 1, ""},
	"step discharging capacity / ah": {colStepOut, 1, ""}, "step_discharging_capacity_ah": {colStepOut, 1, ""},
	"charging capacity / ah": {colIn, 1, ""}, "charging_capacity_ah": {colIn, 1, ""},
	"discharging capacity / ah": {colOut, 1, ""}, "discharging_capacity_ah": {colOut, 1, ""},
}

// header says where each column stands.
type header struct {
	at    [columns]int // -1 for absent
	scale [columns]float64
	width int
	temps []int // columns of temperature
	// ambient is the column of the ambient temperature, from one; 0 for none.
	ambient int
	notes   []string
}

// parseHeader reads the first line. Order, case, blanks, quotes and a byte
// order mark do not matter.
func parseHeader(name string, fields [][]byte) (*header, error) {
	h := &header{width: len(fields)}
	for c := range h.at {
		h.at[c] = -1
	}
	for i, f := range fields {
		text := strings.Join(strings.Fields(string(f)), " ")
		h.sensor(i, strings.ToLower(text))
		l, ok := labels[strings.ToLower(text)]
		if !ok {
			continue
		}
		if h.at[l.col] >= 0 {
			return nil, fmt.Errorf("%s:1: column %d (%q) repeats column %d; each quantity stands once", name, i+1, text, h.at[l.col]+1)
		}
		h.at[l.col], h.scale[l.col] = i, l.scale
		if l.deprecated != "" {
			h.notes = append(h.notes, fmt.Sprintf("label %q is deprecated; %q is preferred", text, l.deprecated))
		}
	}
	if len(h.temps) == 0 && h.ambient > 0 {
		h.temps = []int{h.ambient - 1}
	}
	if h.at[colTime] < 0 && h.at[colUnix] >= 0 {
		h.at[colTime], h.scale[colTime] = h.at[colUnix], h.scale[colUnix]
		h.notes = append(h.notes, `no "Test Time / s"; "Unix Time / s" takes its place`)
	}
	for _, need := range []struct {
		col  column
		text string
	}{{colTime, "Test Time / s"}, {colVoltage, "Voltage / V"}, {colCurrent, "Current / A"}} {
		if h.at[need.col] < 0 {
			return nil, fmt.Errorf("%s:1: no column %q among the %d of the first line; a Battery Data Format file begins with a line of labels, among them Test Time / s, Voltage / V and Current / A", name, need.text, len(fields))
		}
	}
	return h, nil
}

// sensor notes a column of temperature: on the article, or around it.
func (h *header) sensor(col int, text string) {
	switch text {
	case "ambient temperature / degc", "ambient_temperature_celsius":
		h.ambient = col + 1
	case "surface temperature / degc", "surface_temperature_celsius",
		"temperature t1 / degc", "temperature t2 / degc", "temperature t3 / degc", "temperature t4 / degc", "temperature t5 / degc",
		"temperature_t1_celsius", "temperature_t2_celsius", "temperature_t3_celsius", "temperature_t4_celsius", "temperature_t5_celsius":
		h.temps = append(h.temps, col)
	}
}
