package events

import "strconv"

// EpochStarted tells in the open that the public log begins anew, because the old one and its file are both lost.
type EpochStarted struct {
	OldOrigin  string `f:"old_origin,need"`
	OldSize    int64  `f:"old_size,need" lo:"0"`
	OldRoot    Hash   `f:"old_root,need" is:"hash"`
	CommonSize int64  `f:"common_size,need" lo:"0"` // how far the new log is the same as the old
}

var _ = define[EpochStarted]("epoch.started", 1, officeOnly)

func (*EpochStarted) Kind() Kind { return "epoch.started" }

func (b *EpochStarted) check() error {
	if b.CommonSize > b.OldSize {
		return &FieldError{"common_size", strconv.FormatInt(b.CommonSize, 10), "must be at most old_size"}
	}
	return nil
}
