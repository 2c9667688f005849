// Package scpi drives supplies, electronic loads and meters that speak SCPI
// (SCPI-1999 over IEEE 488.2 messages) on a TCP socket or a serial port.
//
// What differs between instruments is a dialect, a YAML file: see DIALECTS.md
// for writing one. What is the same for all of them lives here: one question at
// a time, no reply ever taken for another question's, the error queue emptied
// after each command, a halt that waits for nobody.
//
// # Which reply belongs to which question
//
// Replies carry no number, so a reply that comes twice or late shifts all later
// ones by one. Four rules keep a shifted reply from ever being used:
//
//  1. One question at a time. A byte that arrives while nothing was asked, an
//     endless, unreadable or unended reply, and a question without a reply in
//     time break the connection: TCP is opened anew, a serial port too.
//  2. An instrument answers in order, so after a connection is made (a
//     converter may still hold an old reply) or a halt cut into a question, a
//     random number is written and asked for, and what comes before it is
//     thrown away; then a second, different one must be the very next reply.
//  3. Each round of questions ends with such a number. Only if it comes back
//     are the replies before it used, and only then is an output switched on.
//  4. Identity is checked on each connection, before anything else is sent save
//     the command that switches off, with which it begins unless the output is
//     to be on.
//
// What may not live here: the meaning of a reading, limits, deadlines (those
// are the caller's contexts), and anything that energises at opening.
package scpi
