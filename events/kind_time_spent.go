package events

// TimeSpent tells how long something took.
type TimeSpent struct {
	What    Word    `f:"what,need" in:"travel,work,waiting,helper"`
	Minutes float64 `f:"minutes,need" lo:"0" hi:"10080"`
}

var _ = define[TimeSpent]("time.spent", 1, anyone)

func (*TimeSpent) Kind() Kind { return "time.spent" }
