package virtual

import "fmt"

// Exchange takes the article off and connects another one, as somebody does who
// goes on to the next module: drawn by the seed, as the description says, at its
// own temperature. Instruments, network and faults stay as they are, and Watch
// begins anew for it. It is refused while a contactor is closed.
func (b *Bench) Exchange(a Article, seed uint64) error {
	if c := b.plant.Contacts(); c.Negative || c.Precharge || c.Positive {
		return fmt.Errorf("virtual bench: the article cannot be exchanged behind closed contactors (%+v)", c)
	}
	c := b.cfg
	c.Article, c.Seed, c.Faults = a, seed, nil // this article is what its file says
	c, err := c.withDefaults()
	if err != nil {
		return err
	}
	other, err := c.plant() // of which the network is left out
	if err != nil {
		return err
	}
	b.cfg.Article, b.module, b.mistakes = c.Article, other.Module(), nil
	b.plant.Exchange(b.module)
	b.monitor.paths()
	b.monitor.remember()
	if b.truth.watched {
		b.Watch(b.truth.given)
	}
	return nil
}
