package storm

import (
	"fmt"
	"strings"

	"ullage/events"
)

// perVisit is how many records a visit has.
const perVisit = 20

// lines are n entry lines of a device: visits to machines of its own round, twenty records each, readings, flows and
// tasks.
func lines(device events.DeviceID, n int) string {
	var b strings.Builder
	for at := range n {
		visit, k := at/perVisit, at%perVisit
		who := fmt.Sprintf(`"done":"2026-%02d-%02dT%02d:%02d:00+01:00","site":"%s-s%d","machine":"%s-m%d","visit":"v%d","by":"T1"`,
			1+visit/8/28%12, 1+visit/8%28, 7+visit%8, 2*k, device, visit%8, device, visit%8, visit)
		switch k {
		case 0:
			fmt.Fprintf(&b, `{"kind":"work.started",%s,"body":{"found_by":"scan"}}`, who)
		case 1, 18:
			moment := map[int]string{1: "arrival", 18: "departure"}[k]
			fmt.Fprintf(&b, `{"kind":"reading.taken",%s,"body":{"quantity":"volume","value":%d,"unit":"L","u":1,"method":"dip","moment":"%s"}}`, who, 150+at*7%40, moment)
		case 2, 3, 4:
			fmt.Fprintf(&b, `{"kind":"reading.taken",%s,"body":{"quantity":"ph","value":%d.%d,"method":"strip","moment":"working"}}`, who, 7+at%3, at%10)
		case 5, 6:
			fmt.Fprintf(&b, `{"kind":"fluid.removed",%s,"body":{"from":"bath","to":"p-%d","what":"sludge","volume":%d,"u":0.25}}`, who, at%6, 3+at%9)
		case 7, 8:
			fmt.Fprintf(&b, `{"kind":"fluid.added",%s,"body":{"from":"van","to":"bath","product":"BF-A","volume":%d,"u":0.25}}`, who, 5+at%20)
		case 19:
			fmt.Fprintf(&b, `{"kind":"work.ended",%s,"body":{"outcome":"complete"}}`, who)
		default:
			fmt.Fprintf(&b, `{"kind":"task.done",%s,"body":{"task":"task-%d"}}`, who, k)
		}
		b.WriteByte('\n')
	}
	return b.String()
}
