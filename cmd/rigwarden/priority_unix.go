//go:build unix

package main

import "syscall"

// lowerPriority makes a reader give way to whatever renews leases. Failing to
// do so costs fairness, not safety: leases expire.
func lowerPriority(pid int) { _ = syscall.Setpriority(syscall.PRIO_PROCESS, pid, 10) }
