package guard

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
)

// Describe tells a finding in one sentence for people: what, where, how much,
// and since when (UTC). Quantities are exact, never rounded. l is the layout
// of the frames that were checked; it may be nil.
func Describe(f Finding, l *drivers.Layout) string {
	d := description{f: f, who: "the bench"}
	if l != nil && f.Channel >= 0 && f.Channel < len(l.Channels) {
		d.channel = l.Channels[f.Channel]
		d.who = strings.ReplaceAll(d.channel.Name(), "_", " ")
	}
	if f.Cause == CauseNone {
		return "nothing found"
	}
	return d.sentence() + " since " + utc(f.Since)
}

type description struct {
	f       Finding
	who     string
	channel drivers.Channel
}

func (d *description) sentence() string {
	value, limit := d.quantity(d.f.Value), d.quantity(d.f.Limit)
	switch d.f.Cause {
	case CellHigh, ModuleHigh, TempHigh, ChargeHigh:
		return fmt.Sprintf("%s at %s is over its limit of %s", d.who, value, limit)
	case TempSoft:
		return fmt.Sprintf("%s at %s is over its soft limit of %s", d.who, value, limit)
	case CellLow, ModuleLow, TempLow:
		return fmt.Sprintf("%s at %s is under its limit of %s", d.who, value, limit)
	case DischargeHigh:
		return fmt.Sprintf("%s at %s is beyond its discharge limit of %s", d.who, value, limit)
	case TempRise:
		return fmt.Sprintf("%s rose by %s within a minute, over the credible %s,", d.who, fixed(d.f.Value, 3, 1, "K"), fixed(d.f.Limit, 3, 1, "K"))
	case ChargeCold:
		return fmt.Sprintf("%s at %s is under the %s that charging needs, and charge current flows", d.who, value, limit)
	case ChargeForbidden:
		return fmt.Sprintf("%s at %s is under the %s below which it is never charged, and charge current flows", d.who, value, limit)
	case CurrentUncommanded:
		return fmt.Sprintf("%s at %s is beyond the %s that the commands explain", d.who, value, limit)
	case Missing:
		return d.who + " gives no reading"
	case Stale:
		return d.stale()
	case Frozen:
		return fmt.Sprintf("%s stands still while its siblings moved by %s, over %s,", d.who, d.difference(d.f.Value), d.difference(d.f.Limit))
	case Impossible:
		return d.impossible()
	}
	return d.comparison()
}

func (d *description) comparison() string {
	value, limit := d.difference(d.f.Value), d.difference(d.f.Limit)
	switch d.f.Cause {
	case SumMismatch:
		return fmt.Sprintf("the taps add up to %s more than the meter reads, beyond %s,", value, limit)
	case CurrentMismatch:
		other := "supply less load"
		if d.channel.Kind == drivers.BoxCurrent {
			other = "the box's sensor"
		}
		return fmt.Sprintf("the shunt reads %s more than %s, beyond %s,", value, other, limit)
	case LoneCell:
		return fmt.Sprintf("%s moved by %s while its siblings did not, beyond %s,", d.who, value, limit)
	case LoneTemp:
		return fmt.Sprintf("%s moved by %s while its siblings did not, beyond %s,", d.who, value, limit)
	case TerminalMismatch:
		return fmt.Sprintf("%s reads %s more than the meter at the article, beyond %s,", d.who, value, limit)
	case ContactorMismatch:
		return fmt.Sprintf("contactors closed are %s, commanded are %s,", contactors(d.f.Value), contactors(d.f.Limit))
	case EmergencyStop:
		return "the emergency stop is engaged"
	case DeviceFault:
		return fmt.Sprintf("%s reports a fault of its own (state %d)", d.device(), d.f.Value)
	case BothOn:
		return "supply and load are on at once"
	}
	return fmt.Sprintf("%s: %s (%d against %d)", d.who, d.f.Cause, d.f.Value, d.f.Limit)
}

func (d *description) stale() string {
	switch {
	case d.f.Channel < 0 && d.f.Limit != 0:
		return fmt.Sprintf("a frame came with a time that did not advance (by %d us)", d.f.Value)
	case d.f.Channel < 0:
		return "no frame has come"
	case d.f.Value != d.f.Limit:
		return fmt.Sprintf("%s's counter went back from %d to %d", d.device(), d.f.Limit, d.f.Value)
	}
	return fmt.Sprintf("%s has not measured (counter at %d)", d.device(), d.f.Value)
}

func (d *description) impossible() string {
	switch {
	case d.f.Channel < 0:
		return fmt.Sprintf("a frame carried %d channels, expected %d,", d.f.Value, d.f.Limit)
	case d.unit() == "":
		return fmt.Sprintf("%s reads %d, which it cannot", d.who, d.f.Value)
	}
	return fmt.Sprintf("%s reads %s, which is not possible (beyond %s),", d.who, d.quantity(d.f.Value), d.quantity(d.f.Limit))
}

// device names the instrument behind a state or counter channel.
func (d *description) device() string {
	switch d.channel.Kind {
	case drivers.MonitorBeat:
		return "the cell monitor"
	case drivers.MeterBeat:
		return "the meter"
	case drivers.BoxBeat, drivers.BoxState:
		return "the contactor box"
	case drivers.SupplyBeat, drivers.SupplyState:
		return "the supply"
	case drivers.LoadBeat, drivers.LoadState:
		return "the load"
	}
	return d.who
}

// unit is the channel's unit, empty for counters and state words.
func (d *description) unit() string {
	switch d.channel.Kind {
	case drivers.CellVoltage, drivers.ModuleVoltage, drivers.LinkVoltage, drivers.SupplyVoltage, drivers.LoadVoltage:
		return "V"
	case drivers.Temperature:
		return "degC"
	case drivers.ModuleCurrent, drivers.BoxCurrent, drivers.SupplyCurrent, drivers.LoadCurrent:
		return "A"
	}
	return ""
}

func (d *description) quantity(v int64) string {
	switch u := d.unit(); u {
	case "":
		return strconv.FormatInt(v, 10)
	case "degC":
		return fixed(v-int64(drivers.ZeroC), 3, 1, u)
	default:
		return fixed(v, 6, 3, u)
	}
}

// difference is quantity for a difference: kelvins rather than a temperature.
func (d *description) difference(v int64) string {
	if d.unit() == "degC" {
		return fixed(v, 3, 1, "K")
	}
	return d.quantity(v)
}

// fixed writes v, which has the given number of decimals, with no more of them
// than it needs and no fewer than least.
func fixed(v int64, decimals, least int, unit string) string {
	n := uint64(v)
	sign := ""
	if v < 0 {
		n, sign = -n, "-"
	}
	s := strconv.FormatUint(n, 10)
	if len(s) <= decimals {
		s = strings.Repeat("0", decimals+1-len(s)) + s
	}
	whole, part := s[:len(s)-decimals], s[len(s)-decimals:]
	for len(part) > least && part[len(part)-1] == '0' {
		part = part[:len(part)-1]
	}
	return sign + whole + "." + part + " " + unit
}

func contactors(state int64) string {
	var names []string
	for _, c := range []struct {
		bit  int64
		name string
	}{{drivers.BoxNegative, "negative"}, {drivers.BoxPrecharge, "precharge"}, {drivers.BoxPositive, "positive"}} {
		if state&c.bit != 0 {
			names = append(names, c.name)
		}
	}
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, "+")
}

// utc writes an instant as date and time of day by integer arithmetic, in the
// proleptic Gregorian calendar: years are counted from March in eras of 400
// years, so that a leap day is the last of its year.
func utc(t drivers.Instant) string {
	us := int64(t)
	day, in := us/86_400_000_000, us%86_400_000_000
	if in < 0 {
		day, in = day-1, in+86_400_000_000
	}
	day += 719_468 // days from 0000-03-01 to 1970-01-01
	era := day / 146_097
	if day < 0 {
		era = (day - 146_096) / 146_097
	}
	doe := day - era*146_097
	yoe := (doe - doe/1460 + doe/36_524 - doe/146_096) / 365
	doy := doe - (365*yoe + yoe/4 - yoe/100)
	month := (5*doy + 2) / 153
	dom := doy - (153*month+2)/5 + 1
	year := yoe + era*400
	if month += 3; month > 12 {
		month, year = month-12, year+1
	}
	ms := in / 1000
	return fmt.Sprintf("%04d-%02d-%02d %02d:%02d:%02d.%03d UTC", year, month, dom, ms/3_600_000, ms/60_000%60, ms/1000%60, ms%1000)
}
