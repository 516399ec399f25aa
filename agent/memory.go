package agent

import (
	"slices"
	"sync"

	"ullage/events"
)

// memory is what a device remembers of its conversations, in sync.json. It may be lost, and then is as if there had
// been none. Status, which reads without the lock, shows it.
type memory struct {
	path string

	mu   sync.Mutex
	held remembered
}

type remembered struct {
	Why      string        `json:"why,omitempty"`       // why the last conversation failed; empty where it did not
	LastSync events.Millis `json:"last_sync,omitempty"` // end of the last one that did not fail, by the device's clock
	Zone     int           `json:"zone,omitempty"`      // offset from UTC in minutes, of LastSync
	OffsetMs int64         `json:"offset_ms,omitempty"` // as the last clock.checked has it
	Alarms   []string      `json:"alarms,omitempty"`    // what somebody has to act on
	Handed   events.Seq    `json:"handed,omitempty"`    // up to which record was handed over, since the device was revoked or has forked
	Behind   events.Seq    `json:"behind,omitempty"`    // how far the centre's copy of this device goes, while its own goes less far
}

// openMemory reads what is remembered.
func openMemory(path string) *memory {
	m := &memory{path: path}
	if readJSON(path, &m.held) != nil {
		m.held = remembered{}
	}
	return m
}

func (m *memory) get() remembered {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.held
}

// matters tells whether the device, and not only who asks for its status, goes by what is remembered. Then its loss in a
// power cut would be one.
func (r *remembered) matters() bool { return len(r.Alarms) > 0 || r.Handed != 0 || r.Behind != 0 }

// change changes what is remembered, and writes it down where that makes a difference: durably where it matters, or has.
// How a conversation went does not, and with a busy centre changes all the time.
func (m *memory) change(change func(*remembered)) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	next := m.held
	next.Alarms = slices.Clone(next.Alarms)
	change(&next)
	if next.Why == m.held.Why && next.LastSync == m.held.LastSync && next.OffsetMs == m.held.OffsetMs && next.Behind == m.held.Behind && next.Handed == m.held.Handed &&
		slices.Equal(next.Alarms, m.held.Alarms) {
		return nil
	}
	put := noteFile
	if next.matters() || m.held.matters() {
		put = writeFile
	}
	m.held = next
	return putJSON(m.path, m.held, put)
}
