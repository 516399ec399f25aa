package demo

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sort"
	"strings"
	"time"
)

// summary is out/summary.json.
type summary struct {
	Lines        int            `json:"lines"`   // entry lines that were recorded
	Records      int            `json:"records"` // what the centre holds, the devices' own included
	Devices      []deviceState  `json:"devices"`
	Machines     int            `json:"machines"`
	Visits       int            `json:"visits"`
	States       map[string]int `json:"states"` // of the records
	Say          []string       `json:"say"`    // machines with a loss that may be said to a customer
	Look         []string       `json:"look"`   // machines where somebody should measure again
	Restatements int            `json:"restatements"`
	Doubled      int            `json:"doubled"` // records that are there twice
	Missing      int            `json:"missing"` // records that a device holds a receipt for and the centre does not have
	Seconds      float64        `json:"seconds"`
}

type deviceState struct {
	status
	Checked bool `json:"checked"` // its journal, chain, seals and receipts hold
}

// write writes what came out, and tells it.
func (p *play) write(ctx context.Context, took time.Duration) error {
	if err := os.MkdirAll(p.path("out"), 0o700); err != nil {
		return err
	}
	files := []struct{ name, command string }{
		{"machines.json", "machine"}, {"ledger.json", "ledger"}, {"audit.json", "audit"}, {"waste.json", "waste"}, {"due.json", "due"}, {"restatements.json", "restatements"},
	}
	answers := map[string][]byte{}
	for _, f := range files {
		out, err := p.office(ctx, nil, f.command, "--dir", p.path("centre"), "--json")
		if err != nil {
			return fmt.Errorf("%s: %w", f.command, err)
		}
		answers[f.command] = out
		if err := writeFile(p.path("out", f.name), out); err != nil {
			return err
		}
	}
	s, err := p.summarise(ctx, answers)
	if err != nil {
		return err
	}
	s.Seconds = took.Seconds()
	b, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return err
	}
	if err := writeFile(p.path("out", "summary.json"), append(b, '\n')); err != nil {
		return err
	}
	p.tell(s)
	if s.Doubled != 0 || s.Missing != 0 {
		return fmt.Errorf("%d records are doubled and %d are missing", s.Doubled, s.Missing)
	}
	return nil
}

func (p *play) summarise(ctx context.Context, answers map[string][]byte) (*summary, error) {
	s := &summary{Lines: p.lines, States: map[string]int{}, Say: []string{}, Look: []string{}}
	var audit struct {
		Records []struct{ ID, Device, Kind, State string }
	}
	if err := json.Unmarshal(answers["audit"], &audit); err != nil {
		return nil, err
	}
	seen, of := map[string]bool{}, map[string]int{}
	for _, r := range audit.Records {
		s.Records++
		s.States[r.State]++
		of[r.Device]++
		if seen[r.ID] {
			s.Doubled++
		}
		seen[r.ID] = true
		if r.Kind == "visit.opened" {
			s.Visits++
		}
	}
	for _, name := range p.order {
		d := p.devices[name]
		st, err := p.status(ctx, d)
		if err != nil {
			return nil, err
		}
		if _, err := p.agent(ctx, nil, "check", "--dir", d.dir); err != nil {
			return nil, err
		}
		s.Devices = append(s.Devices, deviceState{st, true})
		s.Missing += max(0, st.Received-of[name])
	}
	var ledger struct {
		Ledgers []struct {
			Machine string
			Spans   []struct{ Grade string }
		}
	}
	if err := json.Unmarshal(answers["ledger"], &ledger); err != nil {
		return nil, err
	}
	s.Machines = len(ledger.Ledgers)
	for _, l := range ledger.Ledgers {
		grades := map[string]bool{}
		for _, span := range l.Spans {
			grades[span.Grade] = true
		}
		if grades["say"] {
			s.Say = append(s.Say, l.Machine)
		}
		if grades["look"] {
			s.Look = append(s.Look, l.Machine)
		}
	}
	sort.Strings(s.Say)
	sort.Strings(s.Look)
	var restated struct{ Restatements []json.RawMessage }
	if err := json.Unmarshal(answers["restatements"], &restated); err != nil {
		return nil, err
	}
	s.Restatements = len(restated.Restatements)
	return s, nil
}

func (p *play) tell(s *summary) {
	p.say("\n%d entry lines made %d records of %d visits to %d machines; none is lost, none is doubled.", s.Lines, s.Records, s.Visits, s.Machines)
	for _, d := range s.Devices {
		p.say("  %s holds %d records, %d of them received; journal, chain, seals and receipts hold.", d.Device, d.Records, d.Received)
	}
	states := make([]string, 0, len(s.States))
	for state, n := range s.States {
		states = append(states, fmt.Sprintf("%d %s", n, state))
	}
	sort.Strings(states)
	p.say("Of the records, as they stand now: %s. Late ones changed %d earlier results.", strings.Join(states, ", "), s.Restatements)
	p.say("A loss that may be said to the customer: %s. A loss to look at: %s.", names(s.Say), names(s.Look))
	p.say("Written to %s: summary, machines, ledger, audit, waste, due, restatements (.json).", filepath.Join(p.dir, "out"))
}

func names(list []string) string {
	if len(list) == 0 {
		return "none"
	}
	return strings.Join(list, ", ")
}

// writeFile puts a whole file in place at once.
func writeFile(path string, data []byte) error {
	if err := os.WriteFile(path+".new", data, 0o600); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}
