package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"time"

	"github.com/spf13/cobra"
)

// The tables are for reading at a terminal; scripts take --json.

type amount struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Done  string  `json:"done"`
}

func (a *amount) String() string {
	if a == nil {
		return "-"
	}
	return strconv.FormatFloat(a.Value, 'f', 1, 64)
}

// when shortens a time for reading.
func when(s string) string {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return "-"
	}
	return t.Format("2006-01-02 15:04")
}

// several reads an answer about one thing, or about all under a name.
func several[T any](answer []byte, name string) ([]T, error) {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(answer, &all); err != nil {
		return nil, fmt.Errorf("the centre's answer: %w", err)
	}
	var list []T
	if raw, ok := all[name]; ok {
		return list, json.Unmarshal(raw, &list)
	}
	var one T
	err := json.Unmarshal(answer, &one)
	return []T{one}, err
}

func (c *client) machine() *cobra.Command {
	type state struct {
		Machine string             `json:"machine"`
		Site    string             `json:"site"`
		Volume  *amount            `json:"volume_l"`
		Read    map[string]reading `json:"readings"`
		Faults  []struct {
			Fault string `json:"fault"`
		} `json:"open_faults"`
		Records int `json:"records"`
	}
	return c.question("machine", "What stands at a machine, as last measured", "/api/machine", []string{"machine", "site", "as-of", "known-at"}, func(w io.Writer, answer []byte) error {
		all, err := several[state](answer, "machines")
		if err != nil {
			return err
		}
		fmt.Fprintln(w, "MACHINE\tSITE\tLITRES\tMEASURED\tPH\tSTRENGTH\tOPEN FAULTS\tRECORDS")
		for _, m := range all {
			measured := "-"
			if m.Volume != nil {
				measured = when(m.Volume.Done)
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%d\t%d\n", m.Machine, m.Site, m.Volume, measured, m.Read["ph"], m.Read["strength"], len(m.Faults), m.Records)
		}
		return nil
	})
}

type reading struct {
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`
}

func (r reading) String() string {
	if r.Value == nil {
		return "-"
	}
	return strconv.FormatFloat(*r.Value, 'g', -1, 64) + " " + r.Unit
}

func (c *client) ledger() *cobra.Command {
	type book struct {
		Machine string `json:"machine"`
		Spans   []struct {
			From, To, Kind, Tank, Grade, Words string
			Start                              *amount `json:"start_l"`
			End                                *amount `json:"end_l"`
			Added                              *amount `json:"added_l"`
			Returned                           *amount `json:"returned_l"`
			Told                               *amount `json:"told_l"`
			Removed                            *amount `json:"removed_l"`
			Spilled                            *amount `json:"spilled_l"`
		} `json:"spans"`
	}
	return c.question("ledger", "Where the fluid of a machine went, span by span", "/api/ledger", []string{"machine", "site", "as-of", "known-at"}, func(w io.Writer, answer []byte) error {
		all, err := several[book](answer, "ledgers")
		if err != nil {
			return err
		}
		fmt.Fprintln(w, "MACHINE\tTANK\tSPAN\tFROM\tTO\tSTART\tADDED\tBACK\tTOLD\tOUT\tSPILLED\tEND\tGRADE\tIN WORDS")
		for _, b := range all {
			for _, s := range b.Spans {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", b.Machine, s.Tank, s.Kind, when(s.From), when(s.To),
					s.Start, s.Added, s.Returned, s.Told, s.Removed, s.Spilled, s.End, s.Grade, s.Words)
			}
		}
		return nil
	})
}

func (c *client) audit() *cobra.Command {
	type list struct {
		Records []struct {
			ID, Device, Kind, Done, Written, By, Machine, State, Stage string
			Received                                                   *string
			Seq                                                        uint64
			Body                                                       json.RawMessage
		} `json:"records"`
	}
	return c.question("audit", "Every record as it was written, and what became of it", "/api/audit", []string{"machine", "site", "visit", "device", "as-of", "known-at"}, func(w io.Writer, answer []byte) error {
		var l list
		if err := json.Unmarshal(answer, &l); err != nil {
			return fmt.Errorf("the centre's answer: %w", err)
		}
		fmt.Fprintln(w, "HAPPENED (AS STATED)\tWRITTEN\tRECEIVED\tDEVICE\tSEQ\tMACHINE\tKIND\tBY\tSTATE\tSTAGE\tCONTENT")
		for _, r := range l.Records {
			received := "-"
			if r.Received != nil {
				received = when(*r.Received)
			}
			body := string(r.Body)
			if len(body) > 100 {
				body = body[:97] + "..."
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%s\t%s\t%s\t%s\t%s\t%s\n", when(r.Done), when(r.Written), received, r.Device, r.Seq, r.Machine, r.Kind, r.By, r.State, r.Stage, body)
		}
		return nil
	})
}

func (c *client) restatements() *cobra.Command {
	return c.question("restatements", "Earlier results that later records changed", "/api/restatements", []string{"machine"}, func(w io.Writer, answer []byte) error {
		var l struct {
			Restatements []struct {
				Machine, Projection, What string
				Old, New                  json.RawMessage
			} `json:"restatements"`
		}
		if err := json.Unmarshal(answer, &l); err != nil {
			return fmt.Errorf("the centre's answer: %w", err)
		}
		fmt.Fprintln(w, "MACHINE\tPROJECTION\tWHAT\tWAS\tIS")
		for _, r := range l.Restatements {
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", r.Machine, r.Projection, r.What, r.Old, r.New)
		}
		return nil
	})
}

func (c *client) waste() *cobra.Command {
	return c.question("waste", "Fillings of vessels by the site that they come from", "/api/waste", []string{"site"}, func(w io.Writer, answer []byte) error {
		type filling struct {
			Vessel, Contents, Use, Basis string
			L                            *float64
			ClockFrom                    string `json:"clock_from"`
			Handed                       *string
		}
		type site struct {
			Site, Month string
			Fillings    []filling
		}
		all, err := several[site](answer, "sites")
		if err != nil {
			return err
		}
		fmt.Fprintln(w, "SITE\tMONTH\tFILLING\tCONTENTS\tUSE\tLITRES\tFROM\tHANDED")
		for _, s := range all {
			for _, f := range s.Fillings {
				litres, handed := "-", "-"
				if f.L != nil {
					litres = strconv.FormatFloat(*f.L, 'f', 1, 64)
				}
				if f.Handed != nil {
					handed = when(*f.Handed)
				}
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", s.Site, s.Month, f.Vessel, f.Contents, f.Use, litres, when(f.ClockFrom), handed)
			}
		}
		return nil
	})
}

func (c *client) due() *cobra.Command {
	return c.question("due", "When each machine is due, by the longest gap that its agreement allows", "/api/due", []string{"machine", "site"}, func(w io.Writer, answer []byte) error {
		var l struct {
			Machines []struct {
				Machine string
				Due     *string
				Why     string
			}
		}
		if err := json.Unmarshal(answer, &l); err != nil {
			return fmt.Errorf("the centre's answer: %w", err)
		}
		fmt.Fprintln(w, "MACHINE\tDUE\tWHY")
		for _, m := range l.Machines {
			due := "-"
			if m.Due != nil {
				due = *m.Due
			}
			fmt.Fprintf(w, "%s\t%s\t%s\n", m.Machine, due, m.Why)
		}
		return nil
	})
}
