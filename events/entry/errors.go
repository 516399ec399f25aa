package entry

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"ullage/events"
)

// LineError says which line is bad, and why.
type LineError struct {
	Line  int    // counted from 1, blank lines too
	Field string // from the outside in, "body.tanks[2].shape"; "column 17" where the line is not JSON; may be empty
	Value string // what stands there; may be empty
	Want  string // what would be right
}

func (e *LineError) Error() string {
	parts := []string{"line " + strconv.Itoa(e.Line)}
	for _, s := range []string{e.Field, e.Value, e.Want} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	return strings.Join(parts, ": ")
}

// lineError puts the number of a line to an error about its content. Other errors pass through: they are not the
// line's fault.
func lineError(line int, err error) error {
	if f := fieldOf(err); f != nil {
		return &LineError{line, f.Path, f.Value, f.Want}
	}
	return err
}

// fieldOf finds what err says about a value; nil where it says nothing.
func fieldOf(err error) *events.FieldError {
	var f *events.FieldError
	if errors.As(err, &f) {
		return f
	}
	return nil
}

// bad makes an error about a value.
func bad(path, value, format string, a ...any) *events.FieldError {
	return &events.FieldError{Path: path, Value: value, Want: fmt.Sprintf(format, a...)}
}

// within puts a name before the path of an error about a value.
func within(name string, err error) error {
	f := fieldOf(err)
	if f == nil {
		return err
	}
	path := name + "." + f.Path
	switch {
	case f.Path == "":
		path = name
	case f.Path[0] == '[':
		path = name + f.Path
	}
	return &events.FieldError{Path: path, Value: f.Value, Want: f.Want}
}

// quote shows a text in an error, the start of a long one.
func quote(s string) string {
	const most = 60
	if utf8.RuneCountInString(s) <= most {
		return strconv.Quote(s)
	}
	return strconv.Quote(string([]rune(s)[:most])) + "…"
}

// named shows the name of a field that we do not know.
func named(name string) string {
	if events.CheckIdentifier(name) == nil {
		return name
	}
	return quote(name)
}
