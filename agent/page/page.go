// Package page is the device's plain page: which machines it knows of, what was last measured at each, and what waits
// for the centre, why and since when. It only shows. Nothing on it can be changed, and it needs no script.
//
// Render makes a page of what it is given and asks nothing itself, so that every state of the page can be shown, and
// tested, without a device.
package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
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
	Why      string // why something waits
	Since    time.Time
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

//go:embed page.html
var text string

//go:embed page.css
var style string

var tmpl = template.Must(template.New("page").Funcs(template.FuncMap{
	"moment": moment,
	"clock":  func(t time.Time) string { return t.Format("15:04:05") },
	"litres": litres,
	"likely": likely,
	"count":  count,
	"exact":  func(t time.Time) string { return t.Format(time.RFC3339) },
}).Parse(text))

// Render writes the page. It refers to the style as Style at page.css.
func Render(w io.Writer, d Data) error { return tmpl.Execute(w, d) }

// Style is the page's style sheet.
func Style() string { return style }

// moment writes a time in short where it is of today.
func moment(t, now time.Time) string {
	zone := t.Format("-07:00")
	if now.Format("-07:00") == zone {
		zone = ""
	} else {
		zone = " (UTC" + zone + ")"
	}
	y, m, d := t.Date()
	ny, nm, nd := now.In(t.Location()).Date()
	if y == ny && m == nm && d == nd {
		return t.Format("15:04") + zone
	}
	return t.Format("2 Jan 2006, 15:04") + zone
}

func litres(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// likely is the interval that people are shown for a volume with its standard uncertainty.
func likely(v *Volume) string {
	if v.U == 0 {
		return ""
	}
	low, high := max(v.Litres-2*v.U, 0), v.Litres+2*v.U
	return fmt.Sprintf("between %.0f and %.0f L", low, high)
}

func count(n uint64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.FormatUint(n, 10) + " " + what + "s"
}
