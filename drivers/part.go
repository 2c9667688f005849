package drivers

// Part returns the layout of the bench's channels that keep names, in the
// bench's order: what a driver of some of its instruments sends. Unlike a
// bench's layout it may lack cells.
func (b *Bench) Part(keep func(Kind) bool) (*Layout, error) {
	var kept []Channel
	for _, c := range b.channels().Channels {
		if keep(c.Kind) {
			kept = append(kept, c)
		}
	}
	return PartOf(kept)
}

// PartOf returns the layout of the given channels under the rules of every
// layout, save that it may lack cells.
func PartOf(channels []Channel) (*Layout, error) {
	l := &Layout{Channels: channels}
	return l, l.index()
}
