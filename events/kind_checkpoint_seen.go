package events

// CheckpointSeen tells that the device has checked a new checkpoint of the public log. What comes after it in the
// device's chain was written after the checkpoint was made.
type CheckpointSeen struct {
	Origin string `f:"origin,need"`
	Size   int64  `f:"size,need" lo:"0"`
	Root   Hash   `f:"root,need" is:"hash"`
}

var _ = define[CheckpointSeen]("checkpoint.seen", 1, anyone)

func (*CheckpointSeen) Kind() Kind { return "checkpoint.seen" }
