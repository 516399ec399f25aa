package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"
)

// The tables are for reading at a terminal; scripts take --json.

// row writes one line of a table. What came from records is made plain: it must not move the cursor of the terminal.
func row(w io.Writer, cells ...any) error {
	texts := make([]string, len(cells))
	for i, c := range cells {
		texts[i] = plain(fmt.Sprint(c))
	}
	_, err := fmt.Fprintln(w, strings.Join(texts, "\t"))
	return err
}

func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, s)
}

// rows writes a table: a head, and a line for each of list.
func rows[T any](w io.Writer, list []T, head []any, cells func(T) []any) error {
	if err := row(w, head...); err != nil {
		return err
	}
	for _, x := range list {
		if err := row(w, cells(x)...); err != nil {
			return err
		}
	}
	return nil
}

type amount struct {
	Value float64 `json:"value"`
	Done  string  `json:"done"`
}

func (a *amount) String() string {
	if a == nil {
		return "-"
	}
	return strconv.FormatFloat(a.Value, 'f', 1, 64)
}

// when shortens a time for reading; its zone stays.
func when(s string) string {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return "-"
	}
	return t.Format("2006-01-02 15:04-07:00")
}

// whenever is when for a time that may be missing.
func whenever(s *string) string {
	if s == nil {
		return "-"
	}
	return when(*s)
}

// several reads an answer about one thing, or about all under a name.
func several[T any](answer []byte, name string) ([]T, error) {
	var all map[string]json.RawMessage
	if err := json.Unmarshal(answer, &all); err != nil {
		return nil, notOurs(err)
	}
	raw, ok := all[name]
	if !ok {
		raw = append(append(json.RawMessage{'['}, answer...), ']')
	}
	var list []T
	if err := json.Unmarshal(raw, &list); err != nil {
		return nil, notOurs(err)
	}
	return list, nil
}

func (c *client) machine() *cobra.Command {
	type state struct {
		Machine string
		Site    string
		Volume  *amount            `json:"volume_l"`
		Read    map[string]reading `json:"readings"`
		Faults  []struct{}         `json:"open_faults"`
		Records int
	}
	return c.question("machine", "What stands at a machine, as last measured", "/api/machine", []string{"machine", "site", "as-of", "known-at"}, func(w io.Writer, answer []byte) error {
		all, err := several[state](answer, "machines")
		if err != nil {
			return err
		}
		return rows(w, all, []any{"MACHINE", "SITE", "LITRES", "MEASURED", "PH", "STRENGTH", "OPEN FAULTS", "RECORDS"}, func(m state) []any {
			measured := "-"
			if m.Volume != nil {
				measured = when(m.Volume.Done)
			}
			return []any{m.Machine, m.Site, m.Volume, measured, m.Read["ph"], m.Read["strength"], len(m.Faults), m.Records}
		})
	})
}

type reading struct {
	Value *float64
	Unit  string
	Limit string
}

func (r reading) String() string {
	if r.Value == nil {
		return "-"
	}
	text := strconv.FormatFloat(*r.Value, 'g', -1, 64)
	if r.Unit != "[pH]" {
		text += " " + r.Unit
	}
	return strings.TrimSpace(r.Limit + " " + text)
}

func (c *client) ledger() *cobra.Command {
	type span struct {
		machine                            string
		From, To, Kind, Tank, Grade, Words string
		Start                              *amount `json:"start_l"`
		End                                *amount `json:"end_l"`
		Added                              *amount `json:"added_l"`
		Returned                           *amount `json:"returned_l"`
		Told                               *amount `json:"told_l"`
		Removed                            *amount `json:"removed_l"`
		Spilled                            *amount `json:"spilled_l"`
		Expected                           *amount `json:"expected_loss_l"`
	}
	type book struct {
		Machine string
		Spans   []span
	}
	return c.question("ledger", "Where the fluid of a machine went, span by span", "/api/ledger", []string{"machine", "site", "as-of", "known-at"}, func(w io.Writer, answer []byte) error {
		books, err := several[book](answer, "ledgers")
		if err != nil {
			return err
		}
		var all []span
		for _, b := range books {
			for _, s := range b.Spans {
				s.machine = b.Machine
				all = append(all, s)
			}
		}
		head := []any{"MACHINE", "TANK", "SPAN", "FROM", "TO", "START", "ADDED", "BACK", "TOLD", "OUT", "SPILLED", "EXPECTED", "END", "GRADE", "IN WORDS"}
		return rows(w, all, head, func(s span) []any {
			return []any{
				s.machine, s.Tank, s.Kind, when(s.From), when(s.To), s.Start, s.Added, s.Returned, s.Told, s.Removed, s.Spilled, s.Expected, s.End,
				s.Grade, s.Words,
			}
		})
	})
}

// audited is a record of the audit.
type audited struct {
	Device, Kind, Done, Written, By, Machine, State, Stage, Zone string
	Received                                                     *string
	NotBefore                                                    *string `json:"not_before"`
	NotAfter                                                     *string `json:"not_after"`
	Likely                                                       *string `json:"written_likely"`
	Flags                                                        []string
	Seq                                                          uint64
	Body                                                         json.RawMessage
	Erased                                                       []anErasure
}

// local shows a time in the zone of the record's site, where that is given and known here.
func (r *audited) local(s *string) string {
	if s == nil {
		return "-"
	}
	t, err := time.Parse(time.RFC3339Nano, *s)
	if loc, e := time.LoadLocation(r.Zone); err == nil && e == nil && r.Zone != "" {
		return when(t.In(loc).Format(time.RFC3339Nano))
	}
	return when(*s)
}

// written says when a record was written: as its clock has it, and where that cannot be, between which times.
func (r *audited) written() string {
	text := r.local(&r.Written)
	if !slices.Contains(r.Flags, "clock-off") {
		return text
	}
	switch {
	case r.NotBefore == nil:
		text += " (in fact by " + r.local(r.NotAfter)
	case r.NotAfter == nil:
		text += " (in fact after " + r.local(r.NotBefore)
	default:
		text += " (in fact between " + r.local(r.NotBefore) + " and " + r.local(r.NotAfter)
	}
	if r.Likely != nil {
		text += ", likely " + r.local(r.Likely)
	}
	return text + ")"
}

func (c *client) audit() *cobra.Command {
	names := []string{"machine", "site", "visit", "device", "as-of", "known-at"}
	return c.question("audit", "Every record as it was written, and what became of it", "/api/audit", names, func(w io.Writer, answer []byte) error {
		all, err := several[audited](answer, "records")
		if err != nil {
			return err
		}
		head := []any{"HAPPENED (AS STATED)", "WRITTEN", "RECEIVED", "DEVICE", "SEQ", "MACHINE", "KIND", "BY", "STATE", "STAGE", "CONTENT"}
		return rows(w, all, head, func(r audited) []any {
			return []any{r.local(&r.Done), r.written(), r.local(r.Received), r.Device, r.Seq, r.Machine, r.Kind, r.By, r.State, r.Stage, brief(erasedIn(r.Erased) + string(r.Body))}
		})
	})
}

// brief cuts a long text.
func brief(s string) string {
	const most = 100
	if runes := []rune(s); len(runes) > most {
		return string(runes[:most-1]) + "…"
	}
	return s
}

func (c *client) restatements() *cobra.Command {
	type restatement struct {
		Machine, Projection, What string
		Old, New                  json.RawMessage
	}
	return c.question("restatements", "Earlier results that later records changed", "/api/restatements", []string{"machine"}, func(w io.Writer, answer []byte) error {
		all, err := several[restatement](answer, "restatements")
		if err != nil {
			return err
		}
		return rows(w, all, []any{"MACHINE", "PROJECTION", "WHAT", "WAS", "IS"}, func(r restatement) []any {
			now := string(r.New)
			if now == "null" {
				now = "-"
			}
			return []any{r.Machine, r.Projection, r.What, string(r.Old), now}
		})
	})
}

func (c *client) waste() *cobra.Command {
	type filling struct {
		site, month        string
		Vessel, Use, Basis string
		Contents, Handed   *string
		L, Kg              *float64
		ClockFrom          string `json:"clock_from"`
	}
	type month struct {
		Site, Month string
		Fillings    []filling
	}
	return c.question("waste", "Fillings of vessels by the site that they come from", "/api/waste", []string{"site", "as-of", "known-at"}, func(w io.Writer, answer []byte) error {
		months, err := several[month](answer, "sites")
		if err != nil {
			return err
		}
		var all []filling
		for _, m := range months {
			for _, f := range m.Fillings {
				f.site, f.month = m.Site, m.Month
				all = append(all, f)
			}
		}
		head := []any{"SITE", "MONTH", "FILLING", "CONTENTS", "USE", "LITRES", "KG", "BASIS", "FROM", "HANDED"}
		return rows(w, all, head, func(f filling) []any {
			contents := "-"
			if f.Contents != nil {
				contents = *f.Contents
			}
			return []any{f.site, f.month, f.Vessel, contents, f.Use, number(f.L), number(f.Kg), f.Basis, when(f.ClockFrom), whenever(f.Handed)}
		})
	})
}

func number(x *float64) string {
	if x == nil {
		return "-"
	}
	return strconv.FormatFloat(*x, 'f', 1, 64)
}

func (c *client) due() *cobra.Command {
	type machine struct {
		Machine string
		Due     *string
		Why     string
	}
	names := []string{"machine", "site", "as-of", "known-at"}
	return c.question("due", "When each machine is due, by the longest gap that its agreement allows", "/api/due", names, func(w io.Writer, answer []byte) error {
		all, err := several[machine](answer, "machines")
		if err != nil {
			return err
		}
		return rows(w, all, []any{"MACHINE", "DUE", "WHY"}, func(m machine) []any {
			due := "-"
			if m.Due != nil {
				due = *m.Due
			}
			return []any{m.Machine, due, m.Why}
		})
	})
}
