package events

import "fmt"

// ClassSpecified says what belongs to the service of a class of machines.
type ClassSpecified struct {
	Class Code        `f:"class,need"`
	Tasks []Task      `f:"tasks"`                  // in the order in which they are done
	WetL  *float64    `f:"wet_l" lo:"0" hi:"1000"` // what wet filters and rags take away at a service
	Parts []ClassPart `f:"parts"`
}

// Task is one task of a service.
type Task struct {
	Task    Code     `f:"task,need"`
	Title   string   `f:"title"`
	SoakMin *float64 `f:"soak_min" lo:"0" hi:"10080"`
	Needs   []string `f:"needs"`
}

// ClassPart is a part that machines of a class carry in a position.
type ClassPart struct {
	Position Code `f:"position"`
	Part     Code `f:"part,need"`
}

var _ = define[ClassSpecified]("class.specified", 1, officeOnly)

func (*ClassSpecified) Kind() Kind { return "class.specified" }

func (b *ClassSpecified) check() error {
	for i, t := range b.Tasks {
		for _, before := range b.Tasks[:i] {
			if before.Task == t.Task {
				return &FieldError{fmt.Sprintf("tasks[%d].task", i+1), string(t.Task), "a task of that name stands before"}
			}
		}
	}
	return nil
}
