package page

import (
	"bytes"
	"html"
)

// doc writes HTML. Texts and values of attributes are escaped, always; the names of elements and attributes are our
// own. It stands here instead of html/template, which calls methods by name, so that the linker keeps every method of
// every package: a quarter of the device's binary.
type doc struct{ b bytes.Buffer }

// attrs are names and values in turn.
type attrs []string

// in writes an element with what inside writes.
func (d *doc) in(name string, a attrs, inside func()) {
	d.void(name, a)
	inside()
	d.b.WriteString("</" + name + ">")
}

// el writes an element with a text.
func (d *doc) el(name string, a attrs, text string) { d.in(name, a, func() { d.text(text) }) }

// void writes an element that has no end.
func (d *doc) void(name string, a attrs) {
	d.b.WriteString("<" + name)
	for i := 0; i < len(a); i += 2 {
		d.b.WriteString(" " + a[i] + `="` + html.EscapeString(a[i+1]) + `"`)
	}
	d.b.WriteString(">")
}

func (d *doc) text(s string) { d.b.WriteString(html.EscapeString(s)) }

// line ends a line of the source, for those who read it.
func (d *doc) line() { d.b.WriteString("\n") }
