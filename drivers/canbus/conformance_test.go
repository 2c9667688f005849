package canbus

import (
	"testing"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/drivers/drivertest"
	"github.com/rigwarden/rigwarden/drivers/virtual"
)

func TestConformance(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		r := newRig(t, 24, 6, nil)
		bench := virtual.WorkshopBench()
		bench.Monitor = r.spec
		return &drivertest.Fixture{
			Set: drivers.Set{Monitor: r.m}, Bench: bench, Advance: r.advance, Concurrent: true,
			Hang: func(drivertest.Role) {
				r.mu.Lock()
				r.hung = true
				r.mu.Unlock()
				r.advance(drivers.Second)
			},
		}
	})
}

// A monitor of many cells takes its bleed commands in several frames.
func TestConformanceOfManyCells(t *testing.T) {
	drivertest.Run(t, func(t *testing.T) *drivertest.Fixture {
		r := newRig(t, 98, 12, nil)
		bench := virtual.WorkshopBench()
		bench.Monitor = r.spec
		return &drivertest.Fixture{Set: drivers.Set{Monitor: r.m}, Bench: bench, Advance: r.advance}
	})
}
