package witness

import (
	"fmt"

	"ullage/events"
	"ullage/events/checkpoint"
)

// Log is the public log, as far as it is asked here.
type Log interface {
	// Newest is the newest checkpoint, zero while there is none.
	Newest() checkpoint.Signed
	// Leaf is where a record's leaf stands, counted from 0.
	Leaf(device events.DeviceID, seq events.Seq, hash events.Hash) (index uint64, ok bool)
	// Root is the root of the first size leaves.
	Root(size uint64) (events.Hash, error)
	// Received is a time before which there was no checkpoint of that size.
	Received(size uint64) (at events.Millis, ok bool)
}

// Judge holds what devices say of the log to the log, as that is when the judge is made. It remembers what it has looked
// at; every answer takes one of its own.
type Judge struct {
	log   Log
	now   checkpoint.Checkpoint
	roots map[uint64]events.Hash // by size
}

// NewJudge makes a judge by a log.
func NewJudge(log Log) *Judge {
	return &Judge{log: log, now: log.Newest().Checkpoint, roots: map[uint64]events.Hash{}}
}

// Newest is the log's newest checkpoint as the judge knows it.
func (j *Judge) Newest() checkpoint.Checkpoint { return j.now }

// Holds tells whether c has the root that the log has at c's size. Its origin is not asked: one root is one past, whatever
// the log that has it is called.
func (j *Judge) Holds(c checkpoint.Checkpoint) (bool, error) {
	switch {
	case c.Size == 0:
		return c.Root == checkpoint.Empty(), nil
	case c.Size > j.now.Size:
		return false, nil
	}
	root, ok := j.roots[c.Size]
	if !ok {
		var err error
		if root, err = j.log.Root(c.Size); err != nil {
			return false, fmt.Errorf("root of the public log at %d: %w", c.Size, err)
		}
		j.roots[c.Size] = root
	}
	return root == c.Root, nil
}
