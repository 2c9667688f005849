package wire

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"

	"golang.org/x/sys/unix"
)

// openCAN opens a raw SocketCAN socket on an interface.
func openCAN(name string) (io.ReadWriteCloser, error) {
	i, err := net.InterfaceByName(name)
	if err != nil {
		return nil, fmt.Errorf("can:%s: %w", name, err)
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return nil, fmt.Errorf("can:%s: socket: %w", name, err)
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: i.Index}); err != nil {
		_ = unix.Close(fd)
		return nil, fmt.Errorf("can:%s: bind: %w", name, err)
	}
	return canSocket{os.NewFile(uintptr(fd), "can:"+name)}, nil
}

// canSocket writes one frame at a time, as a raw socket wants them. A frame that
// finds the controller's queue full is lost: nobody may be there to acknowledge.
type canSocket struct{ *os.File }

func (c canSocket) Write(p []byte) (int, error) {
	n := 0
	for len(p) >= frameSize {
		if _, err := c.File.Write(p[:frameSize]); err != nil && !errors.Is(err, unix.ENOBUFS) {
			return n, err
		}
		n, p = n+frameSize, p[frameSize:]
	}
	return n + len(p), nil
}
