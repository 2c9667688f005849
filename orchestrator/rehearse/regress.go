package rehearse

// Regression is a seed that once showed a defect, and its story. The seed is one
// of the quick twin's; what it draws may change as the catalogue grows, so the
// fault is kept as text as well and struck alone at its moment.
type Regression struct {
	Name  string
	Fault string // ParseFault's text
	Story string
	Seed  uint64  // of the article and the sensors; 0: 1
	SoC   float64 // of the article; 0: as the bench file has it
	// Left is what software cannot bound and hardware must, by its words.
	Left []string
}

// Regressions are kept for good. What a campaign finds is fixed at its root and
// comes here.
var Regressions = []Regression{
	{Name: "a bouncing contactor under load", Fault: "contactor-bounces contactor=positive bounce=184797us after=5592521us",
		Story: "the precharge path opened at the contact's first touch; while it still bounced, the load emptied the link and each touch filled it from the cells, at 40 A of 10"},
	{Name: "a contactor that bounces for long", Fault: "contactor-bounces contactor=positive bounce=385684us charging=5964931us",
		Story: "the same, at 99 A"},
	{Name: "a clock that steps forwards", Fault: "time-steps step=2554868451us charging=4089660us",
		Story: "frames stamped ahead took the machine's time with them, and nothing bounded a step until the true time had caught up"},
	{Name: "a clock that steps back", Fault: "time-steps step=-2554868451us charging=4089660us",
		Story: "frames stamped in the past held up every persistence that had begun"},
	{Name: "a clock that steps by less than a jump", Fault: "time-steps step=102552us after=2491792us",
		Story: "frames stamped ahead by a tenth of a second, which nobody can tell from late ones, made a tenth of the settling time"},
	{Name: "a meter that reads low while precharging", Fault: "meter-reads-off offset=-2V drift=0mV/h after=3360ms",
		Story: "the link was taken for as high as the article, and closing over what it lacked drew 39 A of 10"},
	{Name: "closing over all that the box allows", Fault: "contactor-stuck contactor=precharge after=600s",
		Story: "without any fault, closing drew 16 A from cells whose maker allows 10, until the link had risen"},
	{Name: "a meter that hangs while the negative contactor closes", Fault: "driver-hangs device=meter after=2860308us for=1265592us",
		Story: "between two frames nobody had counted the meter's silence, and the article was connected on a polarity read 530 ms before"},
	{Name: "a drain as the contactor travels", Fault: "supply-drains current=17902uA precharge=535000us",
		Story: "the link sagged after the positive contactor had been told, and nobody looked any more: 11 A of 10 at its touch"},
	{Name: "a drain too late to call the contactor back", Fault: "supply-drains current=100mA precharge=535000us",
		Story: "the same within the last milliseconds, over more than the bench allows: the link's charge alone bounds what flows, and what it finds is counted as the fuse's",
		Left:  []string{"INV-09", "INV-12 discharge_high"}},
	{Name: "a load that shorts within a pulse", Fault: "load-shorts resistance=64011uOhm discharging=8500ms",
		Story: "in the tenth of a second before the fuse melts a short took more than the step's bound, which was counted as the program's",
		Left:  []string{"INV-11 step_charge", "INV-12 cell_low", "INV-12 discharge_high"}},
	{Name: "a load that shorts as the contactors open", Fault: "load-shorts resistance=30601uOhm after=9810ms",
		Story: "in the milliseconds of their travel nobody can know of it, and their opening under it was counted as the program's",
		Left:  []string{"INV-09", "INV-11 step_charge", "INV-12 cell_low", "INV-12 discharge_high"}},
	{Name: "a load that shorts within the small current", Fault: "load-shorts resistance=217519uOhm after=4497249us",
		Story: "the current into the short was taken for the small one that measures the cells, and people were told of another article",
		Left:  []string{"INV-12 discharge_high"}},
	{Name: "a load that shorts at a taper", Fault: "load-shorts resistance=159533uOhm after=8370369us", SoC: 0.8373,
		Story: "the fuse let more charge go than a shunt of its range can count, the cells stood lower for it, and that was held against the article; a moment later the link is",
		Left:  []string{"INV-12 discharge_high"}},
	{Name: "a monitor that stands still at a taper", Fault: "monitor-silent after=7030000us",
		Story: "its last current no longer fits the next command, which trips a moment before it counts as stale, and was counted as a false trip"},
	{Name: "frames that repeat at a taper", Fault: "frames-repeat after=7030000us",
		Story: "the same, of every instrument at once"},
	{Name: "frames that repeat at a precharge", Fault: "frames-repeat precharge=318481us",
		Story: "what shunt and supply differed by for a moment stood still with them, and was told as theirs instead of that nothing measured any more"},
	{Name: "frames that repeat from the command that closes a contactor", Fault: "frames-repeat precharge=1771us for=1821347us",
		Story: "they went on saying open, which trips a moment before they count as stale, and was counted as a false trip"},
	{Name: "a load that ignores off at its step's bound", Fault: "load-ignores-off discharging=2s", SoC: 0.9243,
		Story: "the bound was allowed a reading and its answer, and not what it takes to find that nothing answers"},
	{Name: "another chemistry, refused at rest", Fault: "wrong-chemistry chemistry=NMC soc=95%",
		Story: "its cells were held to the file's limits and not to their own: less than no room was said to be left"},
	{Name: "another chemistry, of seventy times the resistance", Fault: "wrong-chemistry chemistry=NMC soc=119587ppm", Seed: 2,
		Story: "its taps moved by more between two readings of a sweep than the file's cells can, and what that tripped was counted as false",
		Left:  []string{"INV-12 charge_high", "INV-12 discharge_high"}},
}
