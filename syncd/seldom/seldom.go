// Package seldom keeps what strangers can cause from filling a log.
package seldom

import (
	"sync/atomic"
	"time"
)

// Second lets one of a kind through in each second. Its zero value is ready; its methods may be called at the same time.
type Second struct{ last atomic.Int64 }

// Now tells whether this one is the first of its second.
func (s *Second) Now() bool {
	now := time.Now().Unix()
	return s.last.Swap(now) != now
}
