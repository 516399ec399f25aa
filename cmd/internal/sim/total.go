package sim

import (
	"fmt"
	"io"
	"text/tabwriter"
)

// Total is what came of many runs.
type Total struct {
	Runs    int     `json:"runs"`
	Years   float64 `json:"device_years"`
	Took    float64 `json:"seconds"`
	Records int     `json:"acknowledged"` // records
	Named   int     `json:"named"`        // of those, lost with everybody who had them, and named as lost
	Unknown int     `json:"unknown"`      // lost with everybody who had them and with the log that knew of them; the alarm tells that it had more
	Gone    int     `json:"gone"`         // records that a device had kept and not sent, when its folder was put back or its disk had lied

	Faults []FaultTotal `json:"faults"`
	Alarms map[Alarm]int
	Failed []Failure `json:"failed"`
}

// FaultTotal is how often a fault came.
type FaultTotal struct {
	Fault Fault `json:"fault"`
	Times int   `json:"times"`
	Runs  int   `json:"runs"` // in so many runs
}

// Failure is a run in which a promise was not kept.
type Failure struct {
	Seed uint64 `json:"seed"`
	Why  string `json:"why"`
}

// NewTotal has no runs yet.
func NewTotal() *Total {
	t := &Total{Alarms: map[Alarm]int{}, Failed: []Failure{}}
	for _, f := range Faults {
		t.Faults = append(t.Faults, FaultTotal{Fault: f})
	}
	return t
}

// Add adds a run and how it ended.
func (t *Total) Add(r Result, err error) {
	t.Runs++
	t.Years += r.Years
	t.Records += r.Records
	t.Named += r.Named
	t.Unknown += r.Unknown
	t.Gone += r.Gone
	for i := range t.Faults {
		if n := r.Counts[t.Faults[i].Fault].Injected; n > 0 {
			t.Faults[i].Times += n
			t.Faults[i].Runs++
		}
	}
	for _, a := range r.Alarms {
		t.Alarms[a]++
	}
	if err != nil {
		t.Failed = append(t.Failed, Failure{r.Seed, err.Error()})
	}
}

// Table tells it.
func (t *Total) Table(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintf(w, "%d runs, %.1f device-years in %.0f s: %.0f an hour\n\n", t.Runs, t.Years, t.Took, t.Years/max(t.Took, 1)*3600)
	fmt.Fprintf(w, "what broke\ttimes\tin runs\n")
	for _, f := range t.Faults {
		fmt.Fprintf(w, "%s\t%d\t%d\n", f.Fault, f.Times, f.Runs)
	}
	fmt.Fprintf(w, "\nalarm\tin runs\n")
	for _, a := range Alarms {
		fmt.Fprintf(w, "%s\t%d\n", a, t.Alarms[a])
	}
	fmt.Fprintf(w, "\nrecords acknowledged\t%d\n", t.Records)
	fmt.Fprintf(w, "a promise was broken in\t%d runs\n", len(t.Failed))
	fmt.Fprintf(w, "lost with all who had them, and named\t%d\n", t.Named)
	fmt.Fprintf(w, "lost with the log that knew of them too, told by its alarm\t%d\n", t.Unknown)
	fmt.Fprintf(w, "never sent, and gone with their only disk\t%d\n", t.Gone)
	return w.Flush()
}
