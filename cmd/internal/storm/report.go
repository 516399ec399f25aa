package storm

import (
	"fmt"
	"io"
	"maps"
	"math"
	"runtime"
	"slices"
	"time"
)

// Report is what a storm came to. Times are in seconds.
type Report struct {
	Devices int `json:"devices"`
	Records int `json:"records"` // that waited on each before it came back

	Drained    float64 `json:"drained_s"`     // from the moment of the return until nothing waited on any device
	Half       float64 `json:"half_s"`        // until half of them were drained
	PushMedian float64 `json:"push_median_s"` // from the attempt of a push that was taken until its answer
	Push99     float64 `json:"push_p99_s"`
	PushMost   float64 `json:"push_most_s"`
	Busy       int     `json:"busy"` // answers that the centre is busy

	Settled float64 `json:"settled_s"` // from then on, until the office saw all
	Bare    float64 `json:"bare_s"`    // for the same bytes, by bare synced publishes

	Processors     int     `json:"processors"`
	CentreCPU      float64 `json:"centre_cpu_s"` // until all were drained
	DevicesCPU     float64 `json:"devices_cpu_s"`
	CentreResident int64   `json:"centre_resident_bytes"` // the most
	DeviceResident int64   `json:"device_resident_bytes"` // of the devices' processes, shared out among the devices

	Stored      int64          `json:"stored_bytes"` // that the devices' messages in RECORDS have
	Receipted   int            `json:"receipted"`    // records under the devices' receipts
	Unreceipted int            `json:"unreceipted"`  // that devices have beyond them
	Lost        int            `json:"lost"`         // receipted, and not in RECORDS or not in the read model
	Doubled     int            `json:"doubled"`      // there more than once, or under a number that another record has too
	Misplaced   int            `json:"misplaced"`    // receipts for a place at which something else stands
	Failed      map[string]int `json:"failed"`       // conversations that had to be begun anew, by why
	GaveUp      []string       `json:"gave_up"`      // devices that did, and why
}

func seconds(d time.Duration) float64 { return d.Round(time.Millisecond).Seconds() }

// returned takes in how it went for the devices, and what the centre used.
func (r *Report) returned(crews []returned, centre usage) {
	var drained, pushes []time.Duration
	r.GaveUp, r.Failed = []string{}, map[string]int{}
	for _, c := range crews {
		r.DevicesCPU += seconds(c.Usage.cpu())
		r.DeviceResident += c.Usage.Resident / int64(r.Devices)
		pushes, r.Busy = append(pushes, c.Pushes...), r.Busy+c.Busy
		for why, n := range c.Failed {
			r.Failed[why] += n
		}
		for _, d := range c.Devices {
			drained = append(drained, d.Drained)
			if d.Error != "" {
				r.GaveUp = append(r.GaveUp, d.Error)
			}
		}
	}
	r.Half, r.Drained = part(drained, 0.5), part(drained, 1)
	r.PushMedian, r.Push99, r.PushMost = part(pushes, 0.5), part(pushes, 0.99), part(pushes, 1)
	r.Processors = runtime.NumCPU()
	r.CentreCPU, r.CentreResident = seconds(centre.cpu()), centre.Resident
}

// part is the least time within which that part of all lies.
func part(times []time.Duration, of float64) float64 {
	if len(times) == 0 {
		return 0
	}
	slices.Sort(times)
	return seconds(times[max(0, int(math.Ceil(of*float64(len(times))))-1)])
}

// Held tells whether nothing was lost, doubled or misplaced.
func (r *Report) Held() bool { return r.Lost == 0 && r.Doubled == 0 && r.Misplaced == 0 }

// Table writes the report for people.
func (r *Report) Table(w io.Writer) error {
	for _, row := range [][2]string{
		{"devices", fmt.Sprintf("%d with %d records each", r.Devices, r.Records)},
		{"all drained after", fmt.Sprintf("%.1f s (half of them %.1f s)", r.Drained, r.Half)},
		{"a push took", fmt.Sprintf("%.3f s, 99 of 100 at most %.3f s, all at most %.3f s", r.PushMedian, r.Push99, r.PushMost)},
		{"answered with busy", fmt.Sprintf("%d times", r.Busy)},
		{"the office saw all", fmt.Sprintf("%.1f s later", r.Settled)},
		{"the same bytes bare", fmt.Sprintf("%.1f s", r.Bare)},
		{"CPU", fmt.Sprintf("centre %.1f s, devices %.1f s, of %.1f s that there were", r.CentreCPU, r.DevicesCPU, float64(r.Processors)*r.Drained)},
		{"memory", fmt.Sprintf("centre %d MB, each device %d kB", r.CentreResident/1e6, r.DeviceResident/1e3)},
		{"stored", fmt.Sprintf("%.1f MB", float64(r.Stored)/1e6)},
		{"receipted", fmt.Sprintf("%d records, and %d without a receipt", r.Receipted, r.Unreceipted)},
		{"lost", fmt.Sprint(r.Lost)},
		{"doubled", fmt.Sprint(r.Doubled)},
		{"misplaced receipts", fmt.Sprint(r.Misplaced)},
		{"gave up", fmt.Sprintf("%d devices", len(r.GaveUp))},
	} {
		if _, err := fmt.Fprintf(w, "%-22s %s\n", row[0], row[1]); err != nil {
			return err
		}
	}
	for _, why := range slices.Sorted(maps.Keys(r.Failed)) {
		if _, err := fmt.Fprintf(w, "%-22s %d times: %s\n", "begun anew", r.Failed[why], why); err != nil {
			return err
		}
	}
	for _, why := range r.GaveUp[:min(len(r.GaveUp), 10)] {
		if _, err := fmt.Fprintf(w, "  %s\n", why); err != nil {
			return err
		}
	}
	return nil
}
