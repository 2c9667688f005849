// Package record makes the signed-off document of a module: one self-contained
// HTML page, made to be printed on A4 or Letter, with no script and nothing
// that is fetched from elsewhere; and says whether a record that was made
// earlier still follows from its data (Differences).
//
// It is pure: what it shows is handed to it. A Tracer takes a run's frames once,
// in order, and keeps a bounded picture of them: the least and the greatest
// value in each column of each plot, so that a short peak of a long run stays
// visible. Plots are small SVG of our own: axes with units, round ticks, and
// dash patterns, markers and labels beside colour, since records are printed in
// grey. Lengths in a plot are in its own units, which are points on paper.
package record
