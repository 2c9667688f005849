package host

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Version is the version of the handshake and of the driver protocol behind
// it. Both sides must speak the same.
const Version = 1

// The handshake is the one line that a driver prints on its standard output,
// and the only thing it ever prints there:
//
//	rigwarden-driver 1 ready unix:/run/bench/driver.sock
//	rigwarden-driver 1 failed "supply: no answer from 10.0.0.5:5025"
const (
	handshakeWord = "rigwarden-driver"
	wordReady     = "ready"
	wordFailed    = "failed"
)

// handshakeMax bounds the line; who sends more is not one of ours.
const handshakeMax = 8 << 10

// Errors of starting a driver.
var (
	// ErrHandshake: what the child printed is no handshake.
	ErrHandshake = errors.New("not a driver's handshake")
	// ErrVersion: the child speaks another version of the protocol.
	ErrVersion = errors.New("driver speaks another version")
	// ErrStart: the child said why it cannot serve.
	ErrStart = errors.New("driver cannot start")
)

// writeReady prints the handshake of a driver that listens at address, written
// network:path.
func writeReady(w io.Writer, address string) error {
	_, err := fmt.Fprintf(w, "%s %d %s %s\n", handshakeWord, Version, wordReady, address)
	return err
}

// writeFailed prints the handshake of a driver that cannot serve.
func writeFailed(w io.Writer, why error) error {
	text := why.Error()
	if len(text) > handshakeMax/8 { // quoting may lengthen it fourfold
		text = text[:handshakeMax/8]
	}
	_, err := fmt.Fprintf(w, "%s %d %s %s\n", handshakeWord, Version, wordFailed, strconv.Quote(text))
	return err
}

// readHandshake reads the line and returns the address in it.
func readHandshake(r io.Reader) (network, address string, err error) {
	line, err := bufio.NewReaderSize(io.LimitReader(r, handshakeMax), handshakeMax).ReadString('\n')
	switch {
	case err == io.EOF && line == "":
		return "", "", fmt.Errorf("%w: its output ended without a word", ErrHandshake)
	case err != nil && err != io.EOF:
		return "", "", fmt.Errorf("%w: %w", ErrHandshake, err)
	case err == io.EOF:
		return "", "", fmt.Errorf("%w: %s, and no end of line", ErrHandshake, excerpt(line))
	}
	return parseHandshake(strings.TrimRight(line, "\r\n"))
}

func parseHandshake(line string) (network, address string, err error) {
	word, rest, _ := strings.Cut(line, " ")
	version, rest, _ := strings.Cut(rest, " ")
	number, numErr := strconv.Atoi(version)
	if word != handshakeWord || numErr != nil {
		return "", "", fmt.Errorf("%w: %s; %q would be right", ErrHandshake, excerpt(line), handshakeWord+" 1 ready unix:/path")
	}
	if number != Version {
		return "", "", fmt.Errorf("%w: %d, here %d; take driver and daemon of the same release", ErrVersion, number, Version)
	}
	what, rest, _ := strings.Cut(rest, " ")
	switch what {
	case wordFailed:
		text, err := strconv.Unquote(rest)
		if err != nil {
			return "", "", fmt.Errorf("%w: %s; the reason must be a quoted string", ErrHandshake, excerpt(line))
		}
		return "", "", fmt.Errorf("%w: %s", ErrStart, text)
	case wordReady:
		if network, address, err = splitAddress(rest); err != nil {
			return "", "", fmt.Errorf("%w: %w", ErrHandshake, err)
		}
		return network, address, nil
	}
	return "", "", fmt.Errorf("%w: %s; ready or failed would be right", ErrHandshake, excerpt(line))
}

// splitAddress parts unix:/path and tcp:host:port.
func splitAddress(s string) (network, address string, err error) {
	network, address, ok := strings.Cut(s, ":")
	if !ok || address == "" || network != "unix" && network != "tcp" {
		return "", "", fmt.Errorf("address %s; unix:/path or tcp:host:port would be right", excerpt(s))
	}
	return network, address, nil
}

// excerpt quotes the beginning of something unexpected.
func excerpt(s string) string {
	if len(s) > 80 {
		return strconv.Quote(s[:80]) + "..."
	}
	return strconv.Quote(s)
}
