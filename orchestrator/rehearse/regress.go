package rehearse

// Regression is a seed that once showed a defect, and its story. The seed is one
// of the quick twin's; what it draws may change as the catalogue grows, so the
// fault is kept as text as well and struck alone at its moment.
type Regression struct {
	Name  string
	Fault string // ParseFault's text
	Story string
}

// Regressions are kept for good. What a campaign finds is fixed at its root and
// comes here.
var Regressions = []Regression{
	{"a bouncing contactor under load", "contactor-bounces contactor=positive bounce=184797us after=5592521us",
		"the precharge path opened at the contact's first touch; while it still bounced, the load emptied the link and each touch filled it from the cells, at 40 A of 10"},
	{"a contactor that bounces for long", "contactor-bounces contactor=positive bounce=385684us charging=5964931us",
		"the same, at 99 A"},
	{"a clock that steps forwards", "time-steps step=2554868451us charging=4089660us",
		"frames stamped ahead took the machine's time with them, and nothing bounded a step until the true time had caught up"},
	{"a clock that steps back", "time-steps step=-2554868451us charging=4089660us",
		"frames stamped in the past held up every persistence that had begun"},
	{"a meter that reads low while precharging", "meter-reads-off offset=-2V drift=0mV/h after=3360ms",
		"the link was taken for as high as the article, and closing over what it lacked drew 39 A of 10"},
	{"closing over all that the box allows", "contactor-stuck contactor=precharge after=600s",
		"without any fault, closing drew 16 A from cells whose maker allows 10, until the link had risen"},
}
