package events

// BranchSettled says which branch of a forked chain stands.
type BranchSettled struct {
	Device DeviceID `f:"device,need"`
	Stands Branch   `f:"stands,need"`
	Why    Text     `f:"why"`
}

// Branch names one branch of a fork: the one that has this link at this number, the first where the branches differ.
type Branch struct {
	Seq  Seq  `f:"seq,need"`
	Link Hash `f:"link,need" is:"hash"`
}

// Parting is a record behind which a device's chain goes on in more than one way: where a branch leaves the one that came
// before it.
type Parting struct {
	Seq   Seq  // of the first record at which they differ
	Link  Hash // there, of the branch that leaves
	Other Hash // there, of the one that came first: Link itself, where that is this one
}

var _ = define[BranchSettled]("branch.settled", 1, officeOnly)

func (*BranchSettled) Kind() Kind { return "branch.settled" }
