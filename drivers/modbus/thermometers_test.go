package modbus

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// cells is a monitor with two temperatures of its own.
type cells struct{ drivers.Monitor }

func (cells) Read(_ context.Context, r *drivers.MonitorReading) error {
	r.Temps = append(r.Temps[:0], 2931, 2932)
	return nil
}

// module gives what it is told to, and says when it was asked.
type module struct {
	values []Value
	fails  atomic.Bool
	asked  chan struct{}
}

func (m *module) Read(ctx context.Context) ([]Value, error) {
	select {
	case m.asked <- struct{}{}:
	case <-ctx.Done():
	}
	if m.fails.Load() {
		return nil, errors.New("no answer")
	}
	return m.values, nil
}

func TestThermometersTakeTheirPlaces(t *testing.T) {
	var now atomic.Int64
	now.Store(1_000_000)
	m := &module{asked: make(chan struct{}), values: []Value{
		{Name: "temperature 2", Dimension: tree.DimTemperature, Amount: 300_150, Valid: true},
		{Name: "temperature 1", Dimension: tree.DimTemperature, Amount: 299_960, Valid: true},
		{Name: "temperature 3", Dimension: tree.DimTemperature}, // an open wire
		{Name: "temperature 4", Dimension: tree.DimTemperature, Amount: 1, Valid: true},
	}}
	th, err := WithThermometers(cells{}, m, ThermometerOptions{
		Sensors: []int{3, 0, 1}, Temps: 5, Step: 100, Period: drivers.Millisecond, MaxAge: 5 * drivers.Millisecond,
		Now: func() drivers.Instant { return drivers.Instant(now.Load()) },
	})
	require.NoError(t, err)
	defer th.Close()
	<-m.asked
	<-m.asked // the first reading has been taken
	var r drivers.MonitorReading
	for range 2 { // its slices are used again
		require.NoError(t, th.Read(t.Context(), &r))
		// 299.960 K in steps of 0.1 K is 2999.6, 300.150 K 3001.5: the nearest are
		// 3000 and, half up, 3002.
		assert.Equal(t, []int32{3002, drivers.NoReading, 2931, 3000, 2932}, r.Temps)
	}

	m.fails.Store(true)
	<-m.asked
	<-m.asked
	now.Add(5_000)
	require.NoError(t, th.Read(t.Context(), &r))
	assert.EqualValues(t, 3000, r.Temps[3], "five periods old is still a reading")
	now.Add(1)
	require.NoError(t, th.Read(t.Context(), &r))
	assert.Equal(t, []int32{drivers.NoReading, drivers.NoReading, 2931, drivers.NoReading, 2932}, r.Temps, "older is none (INV-02)")
}

func TestThermometersRefuse(t *testing.T) {
	ok := ThermometerOptions{Sensors: []int{0}, Temps: 3, Step: 100, Period: 1000, MaxAge: 5000}
	for _, spoil := range []func(*ThermometerOptions){
		func(o *ThermometerOptions) { o.Step = 0 }, func(o *ThermometerOptions) { o.Period = 0 },
		func(o *ThermometerOptions) { o.MaxAge = 999 }, func(o *ThermometerOptions) { o.Sensors = nil },
		func(o *ThermometerOptions) { o.Temps = 0 }, func(o *ThermometerOptions) { o.Sensors = []int{3} }, func(o *ThermometerOptions) { o.Sensors = []int{-1} },
	} {
		o := ok
		spoil(&o)
		_, err := WithThermometers(cells{}, &module{}, o)
		require.Error(t, err)
	}
	m := &module{asked: make(chan struct{})}
	o := ok
	o.Temps = 9 // the monitor would have eight of its own
	th, err := WithThermometers(cells{}, m, o)
	require.NoError(t, err)
	var r drivers.MonitorReading
	require.ErrorContains(t, th.Read(t.Context(), &r), "the monitor has 2 temperatures; 8 of the bench's 9 would be its own")
	go func() {
		for range m.asked {
		}
	}()
	require.NoError(t, th.Close())
	close(m.asked)
}
