package entry

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"ullage/events"
)

// correct gives a correction the site, machine and visit of the record that it names, and refuses others.
func (s *Session) correct(e *envelope, target *ref, bind map[string]events.RecordID) error {
	r := target.record()
	if r == nil {
		return nil // what the line says has to do
	}
	if e.kind == "record.amended" && strings.HasPrefix(string(r.Kind), "record.") {
		return bad("body.target", string(r.Kind), "it names a correction; name the record that was corrected, whatever has been amended since")
	}
	hint := "leave it out"
	if e.kind == "record.amended" {
		hint = "to change it, give it inside body"
	}
	differs := func(field, given, was string) error {
		if was == "" {
			was = "none"
		}
		return bad(field, quote(given), "a correction carries what stands in the record it names, here %s; %s", was, hint)
	}
	if e.site != "" && e.site != r.Site {
		return differs("site", string(e.site), string(r.Site))
	}
	if e.machine != "" && e.machine != r.Machine {
		return differs("machine", string(e.machine), string(r.Machine))
	}
	e.site, e.machine = r.Site, r.Machine
	was := ""
	if !r.Visit.IsZero() {
		was = r.Visit.String()
	}
	id, ok := e.visit.id, true
	if e.visit.label != "" {
		if id, ok = s.label(e.visit.label, bind); !ok && was != "" {
			id, ok = r.Visit, true
			bind[e.visit.label] = id
		}
		if !ok || id != r.Visit {
			return differs("visit", e.visit.label, was)
		}
	} else if !id.IsZero() && id != r.Visit {
		return differs("visit", id.String(), was)
	}
	e.visit = visit{id: r.Visit}
	return nil
}

// newest finds the corrections of a target that no other one stands over.
func (s *Session) newest(target *ref) ([]correction, error) {
	if target.item != nil {
		return target.item.heads, nil
	}
	if heads, ok := s.heads[target.target]; ok {
		return heads, nil
	}
	raws, err := s.w.Lookup.Corrections(target.target)
	if err != nil {
		return nil, fmt.Errorf("look up the corrections of %s: %w", FormatTarget(target.target), err)
	}
	covered := map[events.Hash]bool{}
	for _, raw := range raws {
		r, err := events.DecodeRecord(raw)
		if err != nil {
			return nil, fmt.Errorf("look up the corrections of %s: %w", FormatTarget(target.target), err)
		}
		for _, h := range overOf(r.Body) {
			covered[h] = true
		}
	}
	var heads []correction
	for _, raw := range raws {
		h := events.HashRecord(raw)
		if !covered[h] {
			covered[h] = true // once, even if it is listed twice
			heads = append(heads, correction{hash: h})
		}
	}
	return heads, nil
}

// hashes are those of corrections whose records are built, in ascending order.
func hashes(of []correction) []events.Hash {
	var all []events.Hash
	for _, c := range of {
		if c.item != nil {
			c.hash = c.item.hash
		}
		all = append(all, c.hash)
	}
	slices.SortFunc(all, func(a, b events.Hash) int { return bytes.Compare(a[:], b[:]) })
	return all
}
