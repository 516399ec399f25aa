package people

import (
	"errors"
	"fmt"
	"path/filepath"
)

const (
	fileVersion = 1
	fileEnd     = ".json"
)

func (b *Book) path(dir, name string) string { return filepath.Join(b.dir(dir), folded(name)+fileEnd) }

// fits checks what a file says of a name and a role.
func fits(name, file string, role Role) error {
	if err := checkName(name); err != nil {
		return err
	}
	if folded(name) != file {
		return fmt.Errorf("it is that of %q", name)
	}
	if role == 0 {
		return errors.New("the role is missing")
	}
	return nil
}
