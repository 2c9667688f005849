package profiles

import (
	"github.com/rigwarden/rigwarden/drivers"
	"github.com/rigwarden/rigwarden/profiles/tree"
)

// What package tree knows and every caller of profiles needs.
type (
	// Pos is a place in a file.
	Pos = tree.Pos
	// Problem is one mistake: where, what, and what would be right.
	Problem = tree.Problem
	// Dimension is what a quantity measures.
	Dimension = tree.Dimension
)

// Dimensions; see package tree for their base units.
const (
	DimVoltage     = tree.DimVoltage
	DimCell        = tree.DimCell
	DimCurrent     = tree.DimCurrent
	DimCharge      = tree.DimCharge
	DimEnergy      = tree.DimEnergy
	DimPower       = tree.DimPower
	DimResistance  = tree.DimResistance
	DimCapacitance = tree.DimCapacitance
	DimTime        = tree.DimTime
	DimTemperature = tree.DimTemperature
	DimDifference  = tree.DimDifference
	DimRatio       = tree.DimRatio
	DimSlew        = tree.DimSlew
	DimHeat        = tree.DimHeat
	DimConductance = tree.DimConductance
	DimRate        = tree.DimRate
	DimInsulation  = tree.DimInsulation
	DimCount       = tree.DimCount
)

// Error makes a list of problems usable as an error; nil when there are none.
func Error(problems []Problem) error { return tree.Error(problems) }

// ParseQuantity reads "20 A" as a quantity of dimension d in base units.
func ParseQuantity(text string, d Dimension) (int64, error) { return tree.ParseQuantity(text, d) }

// ParseAccuracy reads "0.05 % + 2 mV", or either part of it.
func ParseAccuracy(text string, d Dimension) (drivers.Accuracy, error) {
	return tree.ParseAccuracy(text, d)
}

// FormatQuantity writes a quantity as ParseQuantity reads it, exactly.
func FormatQuantity(v int64, d Dimension) string { return tree.FormatQuantity(v, d) }
