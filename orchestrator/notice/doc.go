// Package notice tells people who are not at the bench that a run tripped, asks
// for a person, or ended: by a web request or by a program of theirs.
//
// It stands outside of the path that takes energy off. Sending never waits, a
// receiver that is down is tried again for hours beside everything else, and
// what does not fit into its queue is counted and told with the next notice.
// Nothing here decides, and nothing that happens here may reach a bench: a
// workshop's safety rests on no message being read.
package notice
