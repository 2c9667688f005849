package main

import (
	"github.com/spf13/cobra"

	"github.com/rigwarden/rigwarden/profiles"
	rigwardenv1 "github.com/rigwarden/rigwarden/proto/rigwarden/v1"
)

func (a *app) moduleInsulationCmd() *cobra.Command {
	var total, negative, positive, after, inserted, meter, least quantityFlag
	var acc accuracyFlag
	for _, q := range []*quantityFlag{&total, &negative, &positive, &after} {
		q.dim = profiles.DimVoltage
	}
	inserted.dim, meter.dim, least.dim = profiles.DimResistance, profiles.DimResistance, profiles.DimInsulation
	c := &cobra.Command{
		Use:   "insulation SERIAL",
		Short: "Judge a module's insulation resistance, measured with a voltmeter and a known resistor",
		Long: `Judge the insulation resistance after UN Regulation No. 100: measure the total,
then each pole against ground; then put a known resistor between ground and the
pole that read more, and read that pole again. The resistance of the worse side is
Ro x Vb x (1/V' - 1/V). An unchanged reading is a failed measurement: the resistor
had no contact. Readings are magnitudes; the voltmeter has at least 10 MOhm.

Measuring to ground on a live module is work for qualified persons.`,
		Example: `  rigwarden module insulation KW-07 --total "78.9 V" --negative "61.7 V" --positive "17.2 V" \
      --inserted "12 kOhm" --after "3.57 V"`,
		Args: cobra.ExactArgs(1),
		RunE: a.on(func(cmd *cobra.Command, s *session, args []string) error {
			if acc.text == "" {
				if err := acc.Set(usualMeter); err != nil {
					return err
				}
			}
			if meter.text == "" {
				if err := meter.Set("10 MOhm"); err != nil {
					return err
				}
			}
			r, err := s.checks.Make(cmd.Context(), &rigwardenv1.MakeCheckRequest{Serial: args[0], Who: a.who, Method: &rigwardenv1.MakeCheckRequest_Insulation{
				Insulation: &rigwardenv1.InsulationReadings{
					TotalUv: total.value, NegativeUv: negative.value, PositiveUv: positive.value, InsertedUohm: inserted.value, AfterUv: after.value,
					Accuracy: acc.proto(), MeterUohm: meter.value, LeastMohmPerVolt: least.value,
				}}})
			if err != nil {
				return err
			}
			return a.reportCheck(args[0], r.GetCheck())
		}),
	}
	fl := c.Flags()
	fl.Var(&total, "total", "voltage across the terminals")
	fl.Var(&negative, "negative", "voltage between the negative pole and ground")
	fl.Var(&positive, "positive", "voltage between the positive pole and ground")
	fl.Var(&inserted, "inserted", "the known resistor; leave out where both poles read nothing to ground")
	fl.Var(&after, "after", "what the higher pole reads with the resistor")
	fl.Var(&acc, "meter", `the voltmeter's accuracy (default "`+usualMeter+`")`)
	fl.Var(&meter, "meter-resistance", `the voltmeter's input resistance (default "10 MOhm")`)
	fl.Var(&least, "at-least", `what is demanded for each volt (default "100 Ohm/V")`)
	for _, n := range []string{"total", "negative", "positive"} {
		if err := c.MarkFlagRequired(n); err != nil {
			panic(err)
		}
	}
	a.addWhere(c)
	a.addWho(c)
	return c
}
