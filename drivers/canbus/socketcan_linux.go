package canbus

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// raw is a SocketCAN interface. It is opened here and not by the CAN library,
// which loses a descriptor with each failed attempt (an interface that is down,
// tried again and again) and lets child processes inherit the rest.
type raw struct {
	file *os.File
}

// rawBuffer is the receive buffer asked for, in bytes: over 1 s of a full bus.
const rawBuffer = 1 << 20

func dialRaw(name string) (_ carrier, err error) {
	link, err := net.InterfaceByName(name)
	if err != nil {
		return nil, fmt.Errorf("there is no interface %s: %w", name, err)
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return nil, fmt.Errorf("the kernel opens no CAN socket: %w", err)
	}
	defer func() {
		if err != nil {
			_ = unix.Close(fd)
		}
	}()
	// Error frames tell why nothing comes: bus off, nobody acknowledges.
	if err = unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, unix.CAN_ERR_MASK); err != nil {
		return nil, fmt.Errorf("%s: error frames: %w", name, err)
	}
	// A small buffer loses frames, which counters show; it is no reason to fail.
	_ = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, rawBuffer)
	if err = unix.Bind(fd, &unix.SockaddrCAN{Ifindex: link.Index}); err != nil {
		return nil, fmt.Errorf("%s: bind: %w", name, err)
	}
	if link.Flags&net.FlagUp == 0 {
		err = fmt.Errorf("interface %s is down; set its bit rate and bring it up", name)
		return nil, err
	}
	return &raw{os.NewFile(uintptr(fd), name)}, nil
}

func (r *raw) Receive(f *Frame) error {
	var record [RecordSize]byte
	n, err := r.file.Read(record[:])
	if err != nil {
		return err
	}
	if n != RecordSize {
		return fmt.Errorf("the kernel gave %d bytes; a frame has %d", n, RecordSize)
	}
	*f, err = parseRecord(&record, binary.NativeEndian.Uint32(record[:]))
	return err
}

// Send hands over one frame at a time; each goes whole or not at all.
func (r *raw) Send(frames []Frame, deadline time.Time) (broken bool, err error) {
	if err := r.file.SetWriteDeadline(deadline); err != nil {
		return true, err
	}
	var record [RecordSize]byte
	for i := range frames {
		PutRecord(&record, &frames[i])
		binary.NativeEndian.PutUint32(record[:], binary.LittleEndian.Uint32(record[:]))
		if _, err := r.file.Write(record[:]); err != nil {
			if errors.Is(err, unix.ENOBUFS) {
				return false, fmt.Errorf("the interface's queue is full, nobody takes frames from it: %w", err)
			}
			return !errors.Is(err, os.ErrDeadlineExceeded), err
		}
	}
	return false, nil
}

func (r *raw) Interrupt() { _ = r.file.SetWriteDeadline(time.Unix(1, 0)) }

func (r *raw) Close() error { return r.file.Close() }
