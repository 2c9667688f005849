package modbus

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// group is one read request and the points it serves.
type group struct {
	request
	points []*point
}

// String names the request and what it is for.
func (g *group) String() string {
	var names []string
	for i, p := range g.points {
		if i == 3 && len(g.points) > 4 {
			names = append(names, fmt.Sprintf("%d more", len(g.points)-i))
			break
		}
		names = append(names, p.place())
	}
	return fmt.Sprintf("%s (%s)", &g.request, strings.Join(names, ", "))
}

// words returns a point's registers out of the group's reply.
func (g *group) words(r reply, p *point) []uint16 {
	from := int(p.at) - int(g.at)
	return r.words[from : from+p.size()]
}

var readFunctions = [...]byte{coil: readCoils, discrete: readDiscrete, input: readInput, holding: readHolding}

// gather makes as few requests as the standard's bounds allow. Two points share
// a request when no more than gap unused registers lie between them (sixteen
// times as many bits); within one table only.
func gather(points []*point, gap int) []group {
	list := slices.Clone(points)
	slices.SortStableFunc(list, func(a, b *point) int {
		return cmp.Or(cmp.Compare(a.table, b.table), cmp.Compare(a.at, b.at))
	})
	var groups []group
	for _, p := range list {
		between, most := gap, maxRegisters
		if p.table.bits() {
			between, most = 16*gap, maxBits
		}
		if n := len(groups) - 1; n >= 0 {
			g := &groups[n]
			end := max(g.count, int(p.at)+p.size()-int(g.at))
			if g.function == readFunctions[p.table] && int(p.at) <= int(g.at)+g.count+between && end <= most {
				g.count = end
				g.points = append(g.points, p)
				continue
			}
		}
		groups = append(groups, group{request{function: readFunctions[p.table], at: p.at, count: p.size()}, []*point{p}})
	}
	return groups
}

// requests lists the groups' requests.
func requests(groups []group) []request {
	list := make([]request, len(groups))
	for i := range groups {
		list[i] = groups[i].request
	}
	return list
}
