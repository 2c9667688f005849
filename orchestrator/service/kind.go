package service

import "google.golang.org/grpc/codes"

// Kind says what sort of thing went wrong, in a word that survives the wire.
type Kind string

// The kinds. Their words are part of what clients may rely on.
const (
	KindInvalid     Kind = "INVALID"     // the request or a file has mistakes
	KindNotFound    Kind = "NOT_FOUND"   // no such module, run, bench or file
	KindBusy        Kind = "BUSY"        // the bench has a run under way
	KindLatched     Kind = "LATCHED"     // a trip waits for acknowledgement
	KindNotRunning  Kind = "NOT_RUNNING" // the command needs a run under way
	KindRefused     Kind = "REFUSED"     // against the limits; nothing was energised
	KindReadOnly    Kind = "READ_ONLY"   // a store file opened by itself
	KindLocked      Kind = "LOCKED"      // another process holds the store
	KindUnreadable  Kind = "UNREADABLE"  // the store is no store, or damaged
	KindNewer       Kind = "NEWER"       // the store has a newer schema
	KindFull        Kind = "FULL"        // the store's quota or the disk is full
	KindTooLarge    Kind = "TOO_LARGE"   // a message or file over its bound
	KindUnreachable Kind = "UNREACHABLE" // nobody answers
	KindCanceled    Kind = "CANCELED"    // the caller went away
	KindInternal    Kind = "INTERNAL"    // a mistake in rigwarden
)

// codeOf is the one place that gives each kind its gRPC code.
var codeOf = map[Kind]codes.Code{
	KindInvalid:     codes.InvalidArgument,
	KindNotFound:    codes.NotFound,
	KindBusy:        codes.FailedPrecondition,
	KindLatched:     codes.FailedPrecondition,
	KindNotRunning:  codes.FailedPrecondition,
	KindRefused:     codes.FailedPrecondition,
	KindReadOnly:    codes.FailedPrecondition,
	KindLocked:      codes.Unavailable,
	KindUnreadable:  codes.DataLoss,
	KindNewer:       codes.FailedPrecondition,
	KindFull:        codes.ResourceExhausted,
	KindTooLarge:    codes.ResourceExhausted,
	KindUnreachable: codes.Unavailable,
	KindCanceled:    codes.Canceled,
	KindInternal:    codes.Internal,
}

// kindOfCode is the best guess for an answer that carries no kind, such as one
// that gRPC made by itself.
func kindOfCode(c codes.Code) Kind {
	switch c {
	case codes.Unavailable, codes.DeadlineExceeded:
		return KindUnreachable
	case codes.Canceled:
		return KindCanceled
	case codes.ResourceExhausted:
		return KindTooLarge
	case codes.NotFound:
		return KindNotFound
	case codes.InvalidArgument:
		return KindInvalid
	}
	return KindInternal
}
