// Package sibling compares one figure among articles that should be alike: the
// modules of a build, or several files of other people's cells. It ranks them,
// tells which lie apart by more than their uncertainties, and names the odd one.
//
// Rules, stated with every ranking: odd is what the robust z-score (over 3.5) and
// the generalised ESD test (at 1 %) both accuse and what lies further off than its
// own uncertainty; Tukey's fences, on quartiles by the (n+1)p rule, mark what is
// worth a look. Fewer than five are too few to call one odd.
//
// Pure arithmetic.
package sibling
