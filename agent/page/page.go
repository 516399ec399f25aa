// Package page is the device's plain page: which machines it knows of, what was last measured at each, and what waits
// for the centre, why and since when. It only shows. Nothing on it can be changed, and it needs no script.
//
// Render makes a page of what it is given and asks nothing itself, so that every state of the page can be shown, and
// tested, without a device.
package page

import (
	_ "embed"
	"fmt"
	"strconv"
	"time"
)

// Data is what the page shows. Times carry the zone in which they are shown.
type Data struct {
	Device   string
	Now      time.Time
	Records  uint64
	Received uint64
	Waiting  uint64
	Why      string    // why something waits
	Since    time.Time // zero where it is not known
	LastSync time.Time // zero: never
	Alarms   []string
	Machines []Machine
}

// Machine is one row.
type Machine struct {
	Machine string
	Site    string // its code; may be empty
	Volume  *Volume
}

// Volume is the last one that was measured and stands.
type Volume struct {
	Litres float64
	U      float64 // standard uncertainty as it was given; 0 where it was not
	Method string
	Done   time.Time
}

//go:embed page.css
var style string

// Style is the page's style sheet, to which the page refers as page.css.
func Style() string { return style }

// Render makes the page.
func Render(p Data) []byte {
	var d doc
	d.b.WriteString("<!doctype html>\n")
	d.in("html", attrs{"lang", "en"}, func() {
		d.line()
		d.in("head", nil, func() { p.head(&d) })
		d.line()
		d.in("body", nil, func() { d.in("main", nil, func() { p.main(&d) }) })
	})
	d.line()
	return d.b.Bytes()
}

func (p Data) head(d *doc) {
	title := "Device " + p.Device
	if p.Waiting > 0 {
		title = fmt.Sprintf("%d waiting: %s", p.Waiting, p.Device)
	}
	d.void("meta", attrs{"charset", "utf-8"})
	d.void("meta", attrs{"name", "viewport", "content", "width=device-width, initial-scale=1"})
	d.void("meta", attrs{"name", "color-scheme", "content", "light dark"})
	d.el("title", nil, title)
	d.void("link", attrs{"rel", "stylesheet", "href", "page.css"})
}

func (p Data) main(d *doc) {
	d.line()
	d.in("header", nil, func() {
		d.el("h1", nil, "Device "+p.Device)
		d.in("p", small, func() {
			d.text("as of ")
			d.el("time", exact(p.Now), p.Now.Format("15:04:05"))
		})
	})
	for _, alarm := range p.Alarms {
		d.line()
		d.in("section", attrs{"class", "card alarm", "role", "alert"}, func() {
			d.el("h2", nil, "Needs somebody")
			d.el("p", nil, alarm)
		})
	}
	d.line()
	d.in("section", attrs{"class", "card", "aria-labelledby", "waits"}, func() { p.records(d) })
	d.line()
	d.in("section", attrs{"class", "card", "aria-labelledby", "machines"}, func() { p.machines(d) })
	d.line()
	d.in("p", nil, func() { d.el("a", attrs{"class", "again", "href", "./"}, "Look again") })
	d.line()
}

var small = attrs{"class", "small"}

// records says what is kept, what waits, why and since when.
func (p Data) records(d *doc) {
	d.el("h2", attrs{"id", "waits"}, "Records")
	big := attrs{"class", "big"}
	switch {
	case p.Waiting > 0:
		d.el("p", big, fmt.Sprintf("%d waiting", p.Waiting))
		d.in("p", nil, func() {
			if !p.Since.IsZero() {
				d.text("since ")
				p.moment(d, p.Since)
				d.text(": ")
			}
			d.text(p.Why)
		})
	case p.Records > 0:
		d.el("p", big, "Nothing waits")
		d.el("p", nil, "Everything that was recorded here has been received.")
	default:
		d.el("p", big, "No records yet")
		d.el("p", nil, "What is recorded on this device will be counted here.")
	}
	d.in("p", small, func() {
		records := "records"
		if p.Records == 1 {
			records = "record"
		}
		d.text(fmt.Sprintf("%d %s kept on this device, %d received by the centre. ", p.Records, records, p.Received))
		if p.LastSync.IsZero() {
			d.text("It has not talked to its centre yet.")
			return
		}
		d.text("Last sync ")
		p.moment(d, p.LastSync)
		d.text(".")
	})
}

func (p Data) machines(d *doc) {
	d.el("h2", attrs{"id", "machines"}, "Machines")
	if len(p.Machines) == 0 {
		d.el("p", nil, "None yet. Machines come with the first sync, or with the first record about one.")
		return
	}
	number := attrs{"class", "number"}
	d.in("table", nil, func() {
		d.in("thead", nil, func() {
			d.in("tr", nil, func() {
				d.el("th", attrs{"scope", "col"}, "Machine")
				d.el("th", attrs{"scope", "col", "class", "number"}, "Last volume")
				d.el("th", attrs{"scope", "col"}, "Measured")
			})
		})
		d.in("tbody", nil, func() {
			for _, m := range p.Machines {
				d.line()
				d.in("tr", nil, func() {
					d.in("th", attrs{"scope", "row"}, func() { d.with(m.Machine, m.Site) })
					v := m.Volume
					if v == nil {
						d.el("td", number, "not known")
						d.el("td", nil, "never here")
						return
					}
					d.in("td", number, func() { d.with(litres(v.Litres)+" L", v.likely()) })
					d.in("td", nil, func() {
						p.moment(d, v.Done)
						d.with("", v.Method)
					})
				})
			}
		})
		d.line()
	})
}

// with writes a text, and a small one below it where there is one.
func (d *doc) with(text, below string) {
	d.text(text)
	if below != "" {
		d.el("span", small, below)
	}
}

func exact(t time.Time) attrs { return attrs{"datetime", t.Format(time.RFC3339)} }

// moment writes a time: in short where it is of today, with its zone where that is not the page's.
func (p Data) moment(d *doc, t time.Time) {
	form := "2 Jan 2006, 15:04"
	if day := time.DateOnly; t.Format(day) == p.Now.In(t.Location()).Format(day) {
		form = "15:04"
	}
	if t.Format("-07:00") != p.Now.Format("-07:00") {
		form += " (UTC-07:00)"
	}
	d.el("time", exact(t), t.Format(form))
}

// litres writes an amount as it was measured, to the millilitre.
func litres(x float64) string {
	s := strconv.FormatFloat(x, 'f', 3, 64)
	for s[len(s)-1] == '0' {
		s = s[:len(s)-1]
	}
	if s[len(s)-1] == '.' {
		s = s[:len(s)-1]
	}
	return s
}

// likely is the interval that people are shown for a volume with its standard uncertainty; empty where there is none.
func (v *Volume) likely() string {
	if v.U == 0 {
		return ""
	}
	return fmt.Sprintf("between %.0f and %.0f L", max(v.Litres-2*v.U, 0), v.Litres+2*v.U)
}
