// Package contactor reads out of a run's frames how a bench's contactors and its
// precharge behave: what stood before each closing, the time constant with its
// uncertainty against what resistor, link, bleed and loads make of it, what was
// left between link and article, and how the link came down after each opening.
//
// A time constant is measured from link readings of the box's own, at least ten
// within three time constants, or it is not measured at all. The package is pure:
// plan, lines and frames go in, a report comes out.
package contactor
