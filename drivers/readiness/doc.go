// Package readiness looks at a bench before anybody trusts it: does every
// instrument that the bench file names answer, is it the right one, do its
// readings move, is everything off, and which limits can it guard by itself.
//
// It energises nothing and closes nothing. It sets instruments' own limits only
// where their outputs are measured off and every contactor is measured open.
// How instruments are opened, and what a person is told, is the caller's.
package readiness
