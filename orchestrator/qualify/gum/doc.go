// Package gum propagates measurement uncertainty by the law of propagation of
// the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008,
// clause 5): a Value knows how strongly it depends on each Input, so that what
// two values share cancels or adds up as it must, without anybody having to
// write a covariance down.
//
// Pure arithmetic; nothing here knows of benches or modules.
package gum
