package people

import (
	"errors"
	"fmt"
)

// Role is what somebody is in the office. The zero Role is nobody's, and may do nothing.
type Role uint8

// The roles; each may do what those before it may.
const (
	_       Role = iota
	Auditor      // reads
	Office       // records, enrols
	Admin        // people and tokens
)

var roleNames = map[Role]string{Auditor: "auditor", Office: "office", Admin: "admin"}

func (r Role) String() string { return roleNames[r] }

// ErrRole is in the error of ParseRole.
var ErrRole = errors.New("that is no role")

// ParseRole is the inverse of Role.String.
func ParseRole(s string) (Role, error) {
	for r, name := range roleNames {
		if name == s {
			return r, nil
		}
	}
	return 0, fmt.Errorf("%w: %.64q; auditor, office and admin are", ErrRole, s)
}

// Covers tells whether r may do what needs a role.
func (r Role) Covers(need Role) bool { return need != 0 && r >= need }

// MarshalText writes the role's name.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (r *Role) UnmarshalText(b []byte) (err error) {
	role, err := ParseRole(string(b))
	if err == nil {
		*r = role
	}
	return err
}
