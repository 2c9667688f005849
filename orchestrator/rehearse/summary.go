package rehearse

import (
	"fmt"
	"slices"
	"strings"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/virtual"
	"github.com/rigwarden/rigwarden/orchestrator/machine"
)

// Summary is what many campaigns came to. The zero value is ready; add results
// in the order of their seeds, so that the same seeds give the same summary.
type Summary struct {
	Runs       int            `json:"runs"`
	First      uint64         `json:"first_seed"`
	Last       uint64         `json:"last_seed"`
	Faults     map[string]int `json:"faults"`   // drawn, by kind
	Trips      map[string]int `json:"trips"`    // by cause
	Outcomes   map[string]int `json:"outcomes"` // of the run under faults
	Next       map[string]int `json:"next"`     // of the run after the repair
	Violations []Found        `json:"violations"`
	False      []uint64       `json:"false_trips"`  // their seeds
	Missed     []uint64       `json:"missed_trips"` // their seeds
	// Unfounded are runs of which nothing went wrong that ended otherwise than
	// their article's truth demands; Unnoticed those in which a single sensor's
	// error stayed unnoticed that is greater than what the plan allows for.
	Unfounded []Found `json:"unfounded_ends"`
	Unnoticed []Found `json:"unnoticed_errors"`
	// Beyond counts, by excursion or invariant, what several faults at once did,
	// or faults that hardware must bound.
	Beyond map[string]int `json:"beyond"`
	// Pairs is what was covered of several things going wrong in one run, by the
	// two classes: a run with three counts for each of its pairs.
	Pairs map[string]Pair `json:"pairs"`
	// Outside are the worst excursions of the truth beyond the maker's limits, by
	// their word and unit, whatever did them.
	Outside map[string]Excess `json:"worst_excursions"`
	// Double counts the runs with several faults at once.
	Double int `json:"several_faults"`
	// Killed counts processes killed.
	Killed int `json:"killed"`
	// Worst are the least margins that software left to the maker's limits.
	Worst map[string]Extreme `json:"least_margins"`
	// CellError and TempError are the greatest sensor errors that nobody noticed
	// where one thing at most had gone wrong.
	CellError Extreme `json:"greatest_undetected_cell_error_uV"`
	TempError Extreme `json:"greatest_undetected_temperature_error_mK"`
	// Thermometer is that of a single one: the limits act by all of them.
	Thermometer Extreme      `json:"greatest_undetected_thermometer_error_mK"`
	ToZero      Distribution `json:"violation_to_zero"`
	TripZero    Distribution `json:"trip_to_zero"`
	RigTime     drivers.Span `json:"rig_time_us"`
}

// Found is a violation and the seed that shows it.
type Found struct {
	Seed uint64 `json:"seed"`
	Text string `json:"text"`
}

// Pair counts runs in which two things went wrong, and those of them in which
// something came of it that one alone must not do.
type Pair struct {
	Runs   int `json:"runs"`
	Beyond int `json:"beyond"`
}

// Extreme is an extreme value and the seed that shows it.
type Extreme struct {
	Value int64  `json:"value"`
	Seed  uint64 `json:"seed"`
}

// Excess is how far the truth went beyond a limit, both in the unit of its key.
type Excess struct {
	Beyond int64  `json:"beyond"`
	Limit  int64  `json:"limit"`
	Cell   int    `json:"cell"` // from 1; 0 for currents
	Seed   uint64 `json:"seed"`
}

// Distribution is how long something took.
type Distribution struct {
	spans []drivers.Span
	Count int          `json:"count"`
	P50   drivers.Span `json:"p50_us"`
	P99   drivers.Span `json:"p99_us"`
	Max   drivers.Span `json:"max_us"`
	Seed  uint64       `json:"max_seed"`
}

func (d *Distribution) add(seed uint64, spans []drivers.Span) {
	for _, s := range spans {
		if d.Count++; s > d.Max || d.Count == 1 {
			d.Max, d.Seed = s, seed
		}
		d.spans = append(d.spans, s)
	}
}

func (d *Distribution) close() {
	if d.Count == 0 {
		return
	}
	slices.Sort(d.spans)
	d.P50, d.P99 = d.spans[d.Count/2], d.spans[min(d.Count-1, d.Count*99/100)]
}

// ready makes every map and list, so that a program that reads them finds them
// empty and not missing.
func (s *Summary) ready() {
	if s.Faults != nil {
		return
	}
	s.Faults, s.Trips, s.Outcomes, s.Next = map[string]int{}, map[string]int{}, map[string]int{}, map[string]int{}
	s.Beyond, s.Worst, s.Outside = map[string]int{}, map[string]Extreme{}, map[string]Excess{}
	s.Violations, s.False, s.Missed = []Found{}, []uint64{}, []uint64{}
	s.Unfounded, s.Unnoticed, s.Pairs = []Found{}, []Found{}, map[string]Pair{}
}

// Add takes in one result.
func (s *Summary) Add(r *Result) {
	s.ready()
	if s.Runs == 0 {
		s.First = r.Campaign.Seed
	}
	seed := r.Campaign.Seed
	s.Runs++
	s.Last = seed
	s.RigTime += r.Span
	s.count(r)
	for _, t := range r.Trips {
		s.Trips[t.Cause]++
	}
	s.Outcomes[word(r.Outcome)]++
	s.Next[word(r.Next)]++
	for _, v := range r.Violations {
		s.Violations = append(s.Violations, Found{seed, v.String()})
	}
	if r.FalseTrip {
		s.False = append(s.False, seed)
	}
	if r.Missed {
		s.Missed = append(s.Missed, seed)
	}
	if r.Unfounded != "" {
		s.Unfounded = append(s.Unfounded, Found{seed, r.Unfounded})
	}
	if r.Unnoticed != "" {
		s.Unnoticed = append(s.Unnoticed, Found{seed, r.Unnoticed})
	}
	for _, v := range r.Beyond {
		s.Beyond[v.key()]++
	}
	if len(r.Beyond) == 0 { // what software answers for
		s.margin("cell_uV", int64(r.Margin.Cell), seed)
		s.margin("temperature_mK", int64(r.Margin.Temp), seed)
		s.margin("charge_uA", int64(r.Margin.Charge), seed)
		s.margin("discharge_uA", int64(r.Margin.Discharge), seed)
	}
	for _, e := range r.Worst {
		s.outside(e, seed)
	}
	if r.Campaign.single() {
		s.CellError.raise(r.CellError.Error, seed)
		s.TempError.raise(r.TempError.Error, seed)
		s.Thermometer.raise(r.ThermometerError.Error, seed)
	}
	s.ToZero.add(seed, r.ViolationToZero)
	s.TripZero.add(seed, r.TripToZero)
}

func (s *Summary) count(r *Result) {
	for _, f := range r.Campaign.Config.Faults {
		s.Faults[string(f.Kind)]++
	}
	if k := r.Campaign.Store.Kind; k != StoreGood {
		s.Faults["store-"+string(k)]++
	}
	if r.Campaign.Kill != nil {
		s.Faults["process-killed"]++
	}
	if r.Killed {
		s.Killed++
	}
	list := r.Campaign.classes()
	if len(list) > 1 {
		s.Double++
	}
	seen := map[string]bool{}
	for i, a := range list {
		for _, b := range list[i+1:] {
			key := min(a, b) + " and " + max(a, b)
			if seen[key] {
				continue
			}
			seen[key] = true
			p := s.Pairs[key]
			p.Runs++
			if len(r.Beyond) > 0 {
				p.Beyond++
			}
			s.Pairs[key] = p
		}
	}
}

// key is the invariant, and of which limit.
func (v Violation) key() string {
	key := fmt.Sprintf("INV-%02d", v.INV)
	if what, _, ok := strings.Cut(v.What, " "); ok && v.INV == 12 {
		key += " " + what
	} else if what, _, ok := strings.Cut(v.What, ": "); ok && what == "step_charge" {
		key += " " + what
	}
	return key
}

func word(o machine.Outcome) string {
	if o == "" {
		return "none"
	}
	return string(o)
}

func (s *Summary) margin(what string, v int64, seed uint64) {
	if e, ok := s.Worst[what]; !ok || v < e.Value {
		s.Worst[what] = Extreme{v, seed}
	}
}

// unitOf is the unit of an excursion's figures, by how its word begins.
var unitOf = map[string]string{"cell": "uV", "temp": "mK", "charge": "uA", "discharge": "uA"}

func (s *Summary) outside(e virtual.Excursion, seed uint64) {
	kind, _, _ := strings.Cut(e.What, "_")
	key := e.What + "_" + unitOf[kind]
	beyond := max(e.Worst-e.Limit, e.Limit-e.Worst)
	if was, ok := s.Outside[key]; !ok || beyond > was.Beyond {
		s.Outside[key] = Excess{beyond, e.Limit, e.Cell + 1, seed}
	}
}

func (e *Extreme) raise(v int64, seed uint64) {
	if v > e.Value {
		*e = Extreme{v, seed}
	}
}

// Close works out what needs all results. The summary may be added to again.
func (s *Summary) Close() {
	s.ready()
	s.ToZero.close()
	s.TripZero.close()
}

// Held says that the stated allowance held in every run: no true cell left the
// maker's limits but by what hardware must bound, and no invariant was broken.
func (s *Summary) Held() bool {
	return len(s.Violations) == 0 && len(s.False) == 0 && len(s.Missed) == 0 && len(s.Unfounded) == 0 && len(s.Unnoticed) == 0
}
