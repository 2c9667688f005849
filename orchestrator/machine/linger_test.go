package machine

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/rigwarden/rigwarden/drivers"
)

// halts counts them, and collects what people are told of the link.
func halts(l []Action) (n int, words []string) {
	for _, a := range l {
		switch a := a.(type) {
		case Halt:
			n++
		case Notify:
			if strings.Contains(a.Text, "LINK IS LIVE") {
				words = append(words, a.Text)
			}
		case Set, Permit:
			panic("something energises: " + a.String())
		}
	}
	return n, words
}

// A supply that ignored off stayed on behind open contactors for as long as
// nobody pressed stop: the trip was over once no current flowed in the article,
// and nothing told the supply again (INV-04).
func TestSupplyThatIgnoresOffIsToldAgain(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	s.pass("3s")
	s.toy.faults["keeps its output"] = true
	s.toy.offset[1] = 400_000
	s.pass("5s until latched")
	require.Zero(t, s.toy.closed)
	require.True(t, s.toy.supply.On)
	s.toy.offset[1] = 0

	l := actions(s)
	s.pass("1min")
	n, words := halts(*l)
	require.InDelta(t, 6, n, 1, "one every 10 s")
	require.Len(t, words, 1, "told once in five minutes")
	require.Contains(t, words[0], "THE LINK IS LIVE: the supply still reads on")
	require.Contains(t, words[0], "off by hand")
	require.Contains(t, s.m.LinkLive(), "THE LINK IS LIVE")
	var v View
	s.m.Look(&v)
	require.Contains(t, v.Cause, "THE LINK IS LIVE")
	require.Contains(t, v.Cause, "latched by ")

	// The latch may be cleared; the halts go on while watching, and after.
	s.command("do acknowledge looked at it")
	require.Equal(t, PhaseWatching, s.m.Phase())
	*l = nil
	s.pass("6min")
	require.Equal(t, PhaseIdle, s.m.Phase(), "watching is over")
	n, words = halts(*l)
	require.InDelta(t, 36, n, 2)
	require.Len(t, words, 1, "told again")

	// A supply that no longer answers may be on.
	s.toy.faults["supply silent"] = true
	*l = nil
	s.pass("1min")
	n, _ = halts(*l)
	require.InDelta(t, 6, n, 1)
	s.toy.faults["supply silent"] = false

	s.toy.faults["keeps its output"] = false
	s.pass("11s") // a halt is obeyed
	*l = nil
	s.pass("1s")
	require.Empty(t, s.m.LinkLive())
	s.pass("5min")
	n, _ = halts(*l)
	require.Zero(t, n, "nothing is live, nothing is told")
}

// After a run that ended well everything is left alone.
func TestDeadLinkIsLeftAlone(t *testing.T) {
	s := started(t, sessionPlans["charge"]())
	s.pass("20s until current")
	s.command("do stop enough")
	s.pass("5s until watching")
	l := actions(s)
	s.pass("1min")
	n, words := halts(*l)
	require.Zero(t, n, words)
	require.False(t, s.m.linger.on)
	// Whoever uses the supply by hand now is not disturbed.
	s.toy.supply.On = true
	s.pass("1min")
	n, _ = halts(*l)
	require.Zero(t, n)
}

// A supply that says it is off and is not shows on the link: it rises with every
// contactor open, or stays where its bleed should have taken it away.
func TestLinkTellsOfASupplyThatLies(t *testing.T) {
	for name, c := range map[string]struct {
		bleed drivers.Microohms
		rise  drivers.Microvolts
		wait  string // until it must be known
		none  string // while it cannot be known
		text  string
	}{
		"rises":       {rise: 200_000, wait: "2s", text: "rose from"},
		"does not":    {bleed: 10_000_000_000, wait: "5s", none: "45s", text: "its bleed should have left under"}, // tau = 10 s
		"is not told": {wait: "5min"},
	} {
		t.Run(name, func(t *testing.T) {
			p := sessionPlans["charge"]()
			p.Bench.Box.LinkBleed = c.bleed
			s := started(t, p)
			s.pass("20s until current")
			s.command("do stop enough")
			s.pass("5s until watching")
			s.pass("1s")
			l := actions(s)
			if c.none != "" {
				s.pass(c.none)
				n, words := halts(*l)
				require.Zero(t, n, words)
			}
			s.toy.link += c.rise
			s.pass(c.wait)
			n, words := halts(*l)
			if c.text == "" {
				require.Zero(t, n, words)
				return
			}
			require.NotZero(t, n)
			require.Contains(t, words[0], c.text)
			require.Contains(t, words[0], "off by hand")
		})
	}
}
