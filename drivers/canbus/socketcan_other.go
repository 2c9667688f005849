//go:build !linux

package canbus

import "fmt"

func dialRaw(name string) (carrier, error) {
	return nil, fmt.Errorf("interface %s: only Linux has SocketCAN; reach the bus over tcp: or unix:", name)
}
