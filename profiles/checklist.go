package profiles

// Look is one thing that whoever leaves a run alone has looked at on the day, at
// the bench: a dated proof says that a protection worked, not that it is on now.
type Look struct{ Key, What string }

// surroundings is the part of the checklist that no protection stands for.
var surroundings = Look{"surroundings", "nothing that burns lies around, ventilation runs, ways out are free, the module is cool and dry, and what is live is covered or fenced off"}

// looks is what to look at, by the key of the protection.
var looks = map[string]string{
	"emergency_stop":     "the emergency stop is in reach from the way out, and not pressed",
	"cell_cut_off":       "the cell cut-off is plugged into this module, on, and shows no fault",
	"fuse":               "the fuse of the bench file's rating is fitted at this module's terminal",
	"fire_detection":     "fire detection is on, and its call reaches somebody who can come until the run's end",
	"article_interlock":  "the coded connector of this module is plugged in, and nothing bridges it",
	"current_limit":      "the limiter is in the circuit and not bridged",
	"insulation_monitor": "the insulation monitor is on and shows no fault",
	"heartbeat":          "nothing bridges the box's heartbeat",
}

// Checklist is what is looked at before a run is left alone, common practice, no
// source: every protection that an unattended run demands of the bench for the
// module, and the surroundings.
func (b *Bench) Checklist(m *Module) []Look {
	var out []Look
	for _, d := range b.Demands(m) {
		out = append(out, Look{d.Key, looks[d.Key]})
	}
	return append(out, surroundings)
}
