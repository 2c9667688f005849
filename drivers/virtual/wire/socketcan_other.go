//go:build !linux

package wire

import (
	"fmt"
	"io"
)

// openCAN: SocketCAN is Linux' own.
func openCAN(name string) (io.ReadWriteCloser, error) {
	return nil, fmt.Errorf("can:%s: this system has no SocketCAN; use tcp:HOST:PORT or unix:PATH", name)
}
