package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
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
	Dossier      proved         `json:"dossier"`
	Seconds      float64        `json:"seconds"`
}

// proved is the visit of which out/dossier.zip is, and what checking that says.
type proved struct {
	Visit string `json:"visit"`
	Shows string `json:"shows"`
	Holds bool   `json:"holds"`
	Key   string `json:"key"`
}

type deviceState struct {
	status
	Checked bool `json:"checked"` // its journal, chain, seals and receipts hold
}

// loss is a span of a ledger that says something.
type loss struct {
	Machine, Grade, From, Words string
	To                          *string
}

// results are the files of out, and the command that each comes from.
var results = []struct{ name, command string }{
	{"machines.json", "machine"}, {"ledger.json", "ledger"}, {"audit.json", "audit"}, {"waste.json", "waste"}, {"due.json", "due"},
	{"restatements.json", "restatements"},
}

// write writes what came out, and tells it.
func (p *play) write(ctx context.Context, took time.Duration) error {
	if err := os.MkdirAll(p.path("out"), 0o700); err != nil {
		return err
	}
	answers := map[string][]byte{}
	for _, f := range results {
		out, err := p.office(ctx, nil, f.command, "--dir", p.path("centre"), "--json")
		if err != nil {
			return fmt.Errorf("%s: %w", f.command, err)
		}
		answers[f.command] = out
		if err := writeFile(p.path("out", f.name), out); err != nil {
			return err
		}
	}
	s, losses, err := p.summarise(ctx, answers)
	if err != nil {
		return err
	}
	if s.Dossier, err = p.dossier(ctx, answers["audit"]); err != nil {
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
	if s.Doubled != 0 || s.Missing != 0 {
		return fmt.Errorf("this must not be: %d records are doubled and %d are missing; see %s", s.Doubled, s.Missing, p.path("out"))
	}
	p.tell(s, losses)
	return nil
}

func (p *play) summarise(ctx context.Context, answers map[string][]byte) (*summary, []loss, error) {
	s := &summary{Lines: p.lines, States: map[string]int{}, Say: []string{}, Look: []string{}}
	of, err := s.count(answers["audit"])
	if err != nil {
		return nil, nil, err
	}
	for _, name := range p.order {
		d := p.devices[name]
		st, err := p.status(ctx, d)
		if err != nil {
			return nil, nil, err
		}
		if _, err := p.agent(ctx, nil, "check", "--dir", d.dir); err != nil {
			return nil, nil, err
		}
		s.Devices = append(s.Devices, deviceState{st, true})
		s.Missing += max(0, st.Received-of[name])
	}
	losses, err := s.grade(answers["ledger"])
	if err != nil {
		return nil, nil, err
	}
	var restated struct{ Restatements []json.RawMessage }
	if err := json.Unmarshal(answers["restatements"], &restated); err != nil {
		return nil, nil, fmt.Errorf("restatements: %w", err)
	}
	s.Restatements = len(restated.Restatements)
	return s, losses, nil
}

// count counts the records that the centre holds, and says how many it has of each device, each once.
func (s *summary) count(answer []byte) (of map[string]int, err error) {
	var audit struct {
		Records []struct{ ID, Device, Kind, State string }
	}
	if err := json.Unmarshal(answer, &audit); err != nil {
		return nil, fmt.Errorf("audit: %w", err)
	}
	seen, of := map[string]bool{}, map[string]int{}
	for _, r := range audit.Records {
		s.Records++
		s.States[r.State]++
		if seen[r.ID] {
			s.Doubled++
			continue
		}
		seen[r.ID] = true
		of[r.Device]++
		if r.Kind == "visit.opened" {
			s.Visits++
		}
	}
	return of, nil
}

// grade finds the machines whose ledger says something, and what.
func (s *summary) grade(answer []byte) ([]loss, error) {
	var ledger struct {
		Ledgers []struct {
			Machine string
			Spans   []loss
		}
	}
	if err := json.Unmarshal(answer, &ledger); err != nil {
		return nil, fmt.Errorf("ledger: %w", err)
	}
	s.Machines = len(ledger.Ledgers)
	var losses []loss
	for _, l := range ledger.Ledgers {
		for _, span := range l.Spans {
			span.Machine = l.Machine
			switch span.Grade {
			case "say":
				s.Say = append(s.Say, l.Machine)
			case "look":
				s.Look = append(s.Look, l.Machine)
			default:
				continue
			}
			losses = append(losses, span)
		}
	}
	slices.Sort(s.Say)
	slices.Sort(s.Look)
	s.Say, s.Look = slices.Compact(s.Say), slices.Compact(s.Look)
	return losses, nil
}

// dossier makes a dossier of a visit that was signed and in which something was put right, and checks it.
func (p *play) dossier(ctx context.Context, answer []byte) (d proved, err error) {
	var audit struct {
		Records []struct{ Visit, Kind, State string }
	}
	if err := json.Unmarshal(answer, &audit); err != nil {
		return d, fmt.Errorf("audit: %w", err)
	}
	signed, amended := map[string]bool{}, map[string]int{}
	for _, r := range audit.Records {
		signed[r.Visit] = signed[r.Visit] || r.Kind == "signature.captured"
		if r.State == "amended" {
			amended[r.Visit]++
		}
	}
	for _, r := range audit.Records {
		if n := amended[r.Visit]; r.Visit != "" && signed[r.Visit] && n > 0 && (d.Visit == "" || n < amended[d.Visit]) {
			d.Visit = r.Visit
		}
	}
	if d.Visit == "" {
		return d, errors.New("no visit was signed and put right")
	}
	file := p.path("out", "dossier.zip")
	if _, err := p.office(ctx, nil, "dossier", "--dir", p.path("centre"), "--visit", d.Visit, "-o", file, "--for", "whoever plays the demo"); err != nil {
		return d, fmt.Errorf("dossier: %w", err)
	}
	out, err := p.office(ctx, nil, "verify", file, "--json")
	if err != nil {
		return d, fmt.Errorf("verify: %w", err)
	}
	if err := json.Unmarshal(out, &d); err != nil {
		return d, fmt.Errorf("verify: %w", err)
	}
	return d, nil
}

// tell says what came out, for somebody who has not seen it before.
func (p *play) tell(s *summary, losses []loss) {
	p.say("\nWhat came out")
	p.say("  %d lines and %d enrolments became %d records of %d visits to %d machines; none is lost, none is doubled.", s.Lines, len(s.Devices), s.Records, s.Visits, s.Machines)
	for _, d := range s.Devices {
		p.say("  %s: %d records, %d received, %d waiting; its journal, chain, seals and receipts hold.", d.Device, d.Records, d.Received, d.Waiting)
	}
	p.say("  %s. Those that came late changed %d earlier results.", states(s.States), s.Restatements)
	p.say("\nFluid that is not explained")
	for _, l := range losses {
		p.say("  %-4s  %s, %s: %s.", l.Grade, l.Machine, days(l), l.Words)
	}
	p.say("  At the other machines what was measured explains where the fluid went.")
	p.say("  (say: so clear that it may be said to the customer; look: more than measuring explains, for the office only)")
	p.say("\nProof for a stranger: %s", p.path("out", "dossier.zip"))
	p.say("  %s", s.Dossier.Shows)
	p.say("  Try it: ullage verify %s --key %s", p.path("out", "dossier.zip"), s.Dossier.Key)
	p.say("\nAll of it is in %s (summary, machines, ledger, audit, waste, due, restatements; each .json; and the dossier).", p.path("out"))
}

// states says how the records stand: "1038 stand, 35 are amended, 1 is withdrawn".
func states(counts map[string]int) string {
	var parts []string
	for _, state := range []string{"stands", "amended", "withdrawn", "held", "conflict"} {
		n := counts[state]
		words := map[string][2]string{
			"stands": {"stands", "stand"}, "amended": {"is amended", "are amended"}, "withdrawn": {"is withdrawn", "are withdrawn"},
			"held": {"waits for the office", "wait for the office"}, "conflict": {"has two corrections that disagree", "have two corrections that disagree"},
		}[state]
		switch {
		case n == 1:
			parts = append(parts, "1 "+words[0])
		case n > 1:
			parts = append(parts, fmt.Sprint(n)+" "+words[1])
		}
	}
	return strings.Join(parts, ", ")
}

// days says from when to when, by the day.
func days(l loss) string {
	if l.To == nil {
		return "since " + dayOf(l.From)
	}
	return dayOf(l.From) + " to " + dayOf(*l.To)
}

// writeFile puts a whole file in place at once.
func writeFile(path string, data []byte) error {
	if err := os.WriteFile(path+".new", data, 0o600); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}
