package profiles

import (
	"time"

	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

func (b *Bench) readProtections(f *tree.Fields) {
	n := f.Find("protections")
	if n == nil {
		return // demanded by Compile, for unattended profiles only
	}
	p := f.Report.Fields(n, "protections")
	simple := func(key string) *Proof {
		n := p.Find(key)
		if n == nil {
			return nil
		}
		c := p.Report.Fields(n, key)
		proof := readProof(c, "proved")
		c.Finish()
		return &proof
	}
	b.Protections.EmergencyStop = simple("emergency_stop")
	b.Protections.FireDetection = simple("fire_detection")
	b.Protections.InsulationMonitor = simple("insulation_monitor")
	b.Protections.Heartbeat = simple("heartbeat")
	b.Protections.ArticleInterlock = simple("article_interlock")
	if n := p.Find("cell_cut_off"); n != nil {
		c := p.Report.Fields(n, "cell_cut_off")
		b.Protections.CellCutOff = &CutOff{
			Proof:       readProof(c, "proved"),
			Voltage:     drivers.Microvolts(c.Quantity("voltage", true, DimCell, anyCell)),
			Temperature: drivers.Millikelvins(c.Quantity("temperature", true, DimTemperature, anyTemp)),
		}
		c.Finish()
	}
	if n := p.Find("current_limit"); n != nil {
		c := p.Report.Fields(n, "current_limit")
		b.Protections.CurrentLimit = &CurrentLimit{Proof: readProof(c, "proved"),
			Charge:    drivers.Microamps(c.Quantity("charge", true, DimCurrent, anyCurrent)),
			Discharge: drivers.Microamps(c.Quantity("discharge", true, DimCurrent, anyCurrent))}
		c.Finish()
	}
	if n := p.Find("fuse"); n != nil {
		c := p.Report.Fields(n, "fuse")
		b.Protections.Fuse = &Fuse{Proof: readProof(c, "proved"),
			Rating: drivers.Microamps(c.Quantity("rating", true, DimCurrent, anyCurrent))}
		c.Finish()
	}
	p.Finish()
}

// onHeartbeatAlone says that only the contactor box ends the current of a real
// bench whose host is dead.
func (b *Bench) onHeartbeatAlone() bool {
	return b.Supply.Driver != DriverVirtual && b.Box.Heartbeat > 0 && (b.Supply.CommTimeout == 0 || b.Load.CommTimeout == 0)
}

// readProof reads when something was proved (or agreed) and by which role.
func readProof(f *tree.Fields, key string) Proof {
	p := Proof{By: f.Text("by", "name the role that vouches for it, such as test engineer")}
	right := "write a date such as 2026-03-31"
	n := f.Need(key, right)
	s, ok := f.Scalar(key, n, right)
	if !ok {
		return p
	}
	on, err := time.Parse(time.DateOnly, s)
	if err != nil || on.Year() < 2000 {
		f.Report.Addf(n.At, right, "%s: %q is not a date", key, s)
		return p
	}
	p.On = on
	return p
}

// readVirtual reads what a virtual bench simulates, and whether it lies behind
// the bench's real wires.
func readVirtual(f *tree.Fields) (v *VirtualArticle, behindWires bool) {
	ratio := func(key string) Ppm { return f.Quantity(key, true, DimRatio, anyRatio) }
	behindWires = f.Yes("behind_wires")
	v = &VirtualArticle{
		Seed:             uint64(f.Count("seed", true, 0, 1<<62)),
		Chemistry:        f.Choice("chemistry", false, "LFP", "NMC", "LIC"),
		Rated:            drivers.Charge(f.Quantity("rated_capacity", false, DimCharge, anyCapacity)),
		Capacity:         f.Quantity("capacity", true, DimRatio, tree.Within(100_000, 2_000_000)),
		CapacitySpread:   ratio("capacity_spread"),
		ResistanceSpread: ratio("resistance_spread"),
		StateOfCharge:    ratio("state_of_charge"),
		StateSpread:      ratio("state_spread"),
		Ambient:          drivers.Millikelvins(f.Quantity("ambient", true, DimTemperature, anyTemp)),
	}
	f.Finish()
	return v, behindWires
}
