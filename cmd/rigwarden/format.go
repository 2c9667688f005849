package main

import (
	"fmt"
	"time"

	"github.com/rigwarden/rigwarden/drivers"
)

// How quantities look on a screen. SI units, a space before them, sign first.

func volts(uv int64) string { return fmt.Sprintf("%.3f V", float64(uv)/1e6) }

func amps(ua int64) string { return fmt.Sprintf("%.3f A", float64(ua)/1e6) }

func celsius(mk int64) string {
	return fmt.Sprintf("%.1f degC", float64(mk-int64(drivers.ZeroC))/1e3)
}

func ampHours(nc int64) string {
	return fmt.Sprintf("%.3f Ah", float64(nc)/float64(drivers.AmpereHour))
}

func wattHours(uj int64) string {
	return fmt.Sprintf("%.1f Wh", float64(uj)/float64(drivers.WattHour))
}

// clockSpan is a length of time as hours:minutes:seconds.
func clockSpan(us int64) string {
	sign := ""
	if us < 0 {
		sign, us = "-", -us
	}
	s := (us + 500_000) / 1_000_000
	return fmt.Sprintf("%s%d:%02d:%02d", sign, s/3600, s/60%60, s%60)
}

// shortSpan is a length of time in the unit that suits it.
func shortSpan(us int64) string {
	switch {
	case us < 1000:
		return fmt.Sprintf("%d us", us)
	case us < 1_000_000:
		return fmt.Sprintf("%.4g ms", float64(us)/1e3)
	case us < 600_000_000:
		return fmt.Sprintf("%.1f s", float64(us)/1e6)
	}
	return clockSpan(us)
}

// instant is a point in time, UTC, to the millisecond.
func instant(us int64) string {
	if us == 0 {
		return "-"
	}
	return time.UnixMicro(us).UTC().Format("2006-01-02 15:04:05.000")
}

// day is a point in time to the second.
func day(us int64) string {
	if us == 0 {
		return "-"
	}
	return time.UnixMicro(us).UTC().Format("2006-01-02 15:04:05")
}

// dash stands in for what is not there, so that a column is never empty.
func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// maybe formats a reading, or says that there is none (INV-02: a missing
// reading is never shown as a number).
func maybe(v *int64, f func(int64) string) string {
	if v == nil {
		return "no reading"
	}
	return f(*v)
}
