package profiles

// Dimension is what a quantity measures.
type Dimension string

// Dimensions, each with its base unit.
const (
	DimVoltage     Dimension = "voltage"                // uV
	DimCurrent     Dimension = "current"                // uA
	DimCharge      Dimension = "charge"                 // nC (uA.ms)
	DimEnergy      Dimension = "energy"                 // uJ (mW.ms)
	DimPower       Dimension = "power"                  // mW
	DimResistance  Dimension = "resistance"             // uOhm
	DimCapacitance Dimension = "capacitance"            // nF
	DimTime        Dimension = "time"                   // us
	DimTemperature Dimension = "temperature"            // mK, absolute
	DimDifference  Dimension = "temperature difference" // mK
	DimRatio       Dimension = "ratio"                  // ppm
	DimSlew        Dimension = "slew"                   // uA/s
	DimHeat        Dimension = "heat capacity"          // mJ/K
	DimConductance Dimension = "thermal conductance"    // mW/K
	DimRate        Dimension = "rate"                   // millionths of C
)
