package notice

import (
	"net/url"
	"slices"
	"time"

	"github.com/rigwarden/rigwarden/profiles/tree"
)

// What is what a notice is about.
type What string

// What notices are about.
const (
	Trip  What = "trip"  // a latched stop
	Alarm What = "alarm" // anything else that a person must see now
	Ask   What = "ask"   // a run or a queue waits for a person
	Hold  What = "hold"  // a queue goes on no more until a person lets it
	End   What = "end"   // a run is over
)

// Whats lists what notices are about.
var Whats = []What{Trip, Alarm, Ask, Hold, End}

// Receiver is who is told: a web address or a program.
type Receiver struct {
	// Webhook gets each notice as JSON in a POST request.
	Webhook *url.URL
	// Command is a program and its arguments; it gets the notice as JSON on its
	// standard input.
	Command []string
	On      []What
	// Timeout bounds one try.
	Timeout time.Duration
}

// Name tells receivers apart in messages. An address may hold a secret in its
// path or its user: only the host is told.
func (r Receiver) Name() string {
	if r.Webhook != nil {
		return "webhook at " + r.Webhook.Host
	}
	return "command " + r.Command[0]
}

const (
	defaultTimeout = 20 * time.Second
	receiversMost  = 16
	argumentsMost  = 32
)

// Parse reads a notices file; name appears in the problems. There are no
// receivers when there are problems.
func Parse(name string, src []byte) ([]Receiver, []tree.Problem) {
	r := &tree.Report{}
	root := r.Tree(name, src)
	if root == nil {
		return nil, r.Sorted()
	}
	f := r.Fields(root, "the notices file")
	f.Name("notices", "workshop", true)
	right := "list at least one webhook or command"
	items := f.List("send", f.Need("send", right), right)
	if len(items) > receiversMost {
		r.Addf(items[receiversMost].At, "let one of them pass the notices on", "more than %d receivers", receiversMost)
	}
	var list []Receiver
	for _, item := range items {
		list = append(list, receiver(r.Fields(item, "a receiver")))
	}
	f.Finish()
	if len(r.Problems) > 0 {
		return nil, r.Sorted()
	}
	return list, nil
}

func receiver(f *tree.Fields) Receiver {
	w := Receiver{Timeout: defaultTimeout, On: slices.Clone(Whats)}
	if f.Has("webhook") == f.Has("command") && f.Node.Kind == tree.Map {
		f.Report.Add(f.Node.At, "a receiver is one of two", "give either webhook or command")
	}
	if n := f.Find("webhook"); n != nil {
		w.Webhook = webhook(f, n)
	}
	right := "list a program and its arguments, such as [/usr/local/bin/tell, --loud]"
	for _, n := range f.List("command", f.Find("command"), right) {
		if s, ok := f.Scalar("command", n, right); ok {
			w.Command = append(w.Command, s)
		}
	}
	if len(w.Command) > argumentsMost || len(w.Command) > 0 && w.Command[0] == "" {
		f.Report.Add(f.At["command"], "the command names no program, or has too many arguments", right)
	}
	if n := f.Find("on"); n != nil {
		w.On = nil
		for _, n := range f.List("on", n, "list what to tell: trip, alarm, ask, hold, end") {
			w.On = append(w.On, what(f, n))
		}
	}
	if f.Has("timeout") {
		w.Timeout = time.Duration(f.Quantity("timeout", true, tree.DimTime, tree.Within(100_000, 600_000_000))) * time.Microsecond
	}
	f.Finish()
	return w
}

func webhook(f *tree.Fields, n *tree.Node) *url.URL {
	const right = "write an address such as https://alerts.example.org/rig"
	s, ok := f.Scalar("webhook", n, right)
	if !ok {
		return nil
	}
	u, err := url.Parse(s)
	if err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Host == "" {
		f.Report.Add(n.At, "webhook is no web address", right) // not the text: it may hold a secret
		return nil
	}
	return u
}

func what(f *tree.Fields, n *tree.Node) What {
	const right = "trip, alarm, ask, hold and end can be told"
	s, ok := f.Scalar("on", n, right)
	if ok && !slices.Contains(Whats, What(s)) {
		f.Report.Addf(n.At, right, "nothing is called %q", s)
	}
	return What(s)
}
