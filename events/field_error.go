package events

import (
	"errors"
	"fmt"
)

// FieldError says which field of a body is not as it should be. Path has the names from the outside in, with places in
// lists counted from 1: "tanks[2].shape".
type FieldError struct {
	Path  string
	Value string // what stands there, as text; empty where nothing does
	Want  string // what would be right
}

func (e *FieldError) Error() string {
	if e.Value == "" {
		return e.Path + ": " + e.Want
	}
	return fmt.Sprintf("%s: %s: %s", e.Path, e.Value, e.Want)
}

// within puts a name before the path of a FieldError, and before any other error.
func within(name string, err error) error {
	var f *FieldError
	switch {
	case errors.As(err, &f):
		path := f.Path
		switch {
		case path == "":
			path = name
		case path[0] != '[':
			path = name + "." + path
		default:
			path = name + path
		}
		return &FieldError{path, f.Value, f.Want}
	default:
		return fmt.Errorf("%s: %w", name, err)
	}
}
