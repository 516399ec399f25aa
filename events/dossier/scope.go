package dossier

import (
	"slices"

	"ullage/events"
)

// check refuses whatever is in the file and not of what the file is about: nothing is shown by the way.
func (o *opened) check() error {
	if err := o.checkParts(); err != nil {
		return err
	}
	if err := o.checkChains(); err != nil {
		return err
	}
	for i, r := range o.receipts {
		if i > 0 && compareNames(Name{o.receipts[i-1].Device, o.receipts[i-1].Last}, Name{r.Device, r.Last}) >= 0 {
			return refused("%s: the receipt of %s up to record %d is there twice, or out of order", nameReceipts, r.Device, r.Last)
		}
		if !slices.ContainsFunc(o.records, func(x *read) bool { return r.covers(x.name) }) {
			return refused("%s: the receipt of %s up to record %d is for no record that is shown", nameReceipts, r.Device, r.Last)
		}
	}
	if len(o.log.Leaves) != len(o.records) {
		return refused("%s: %d leaves for %d records", nameLog, len(o.log.Leaves), len(o.records))
	}
	for i, l := range o.log.Leaves {
		if l.Record != o.records[i].name {
			return refused("%s: leaf %d is not that of record %s", nameLog, i+1, o.records[i].name)
		}
	}
	var seen []Name
	for _, x := range o.records {
		if x.Part == Seen {
			seen = append(seen, x.name)
		}
	}
	if !slices.EqualFunc(o.log.Seen, seen, func(c Checkpoint, n Name) bool { return c.Record == n }) {
		return refused("%s: not exactly the checkpoints that records are shown for", nameLog)
	}
	for what, list := range map[string][]Held{"gates": o.keys.Gates, "offices": o.keys.Offices} {
		for i, h := range list {
			if events.CheckIdentifier(string(h.Device)) != nil || len(h.Key) != 32 || i > 0 && list[i-1].Device >= h.Device {
				return refused("%s: %s: key %d is no key, or out of order", nameKeys, what, i+1)
			}
		}
	}
	return nil
}

func (r *Receipt) covers(n Name) bool {
	return r.Device == n.Device && r.First <= n.Seq && n.Seq <= r.Last
}

// checkParts holds each record to the part as which it is shown.
func (o *opened) checkParts() error {
	devices := map[events.DeviceID]bool{}
	visits := map[events.RecordID]bool{}
	for _, x := range o.records {
		if x.Part == Subject || x.Part == Related {
			devices[x.name.Device] = true
		}
		if x.Part == Subject && o.about.Machine != "" && x.r.Machine == o.about.Machine {
			visits[x.r.Visit] = true
		}
	}
	delete(visits, events.RecordID{})
	offices := o.offices()
	for name := range offices {
		devices[name] = true
	}
	related := o.related()
	for _, x := range o.records {
		ok := false
		switch x.Part {
		case Subject:
			ok = o.subject(x, visits)
		case Related:
			ok = related[x.name]
		case Key:
			device, key := o.keyDevice(x)
			ok = key && devices[device]
		case Seen:
			b, is := x.body.(*events.CheckpointSeen)
			ok = is && b.Origin == o.origin && devices[x.name.Device] && x.r.Visit.IsZero() && x.r.Machine == "" && x.r.Site == ""
		case Erasure:
			_, is := x.body.(*events.ErasureDone)
			ok = is && slices.ContainsFunc(o.evidence, func(e Evidence) bool { return e.State == Erased && e.Erasure == x.name })
		}
		if !ok {
			return refused("record %s is outside of what the file is about: it is no %.20q of it", x.name, x.Part)
		}
	}
	for _, e := range o.evidence {
		if x := o.byName[e.Erasure]; e.State == Erased && (x == nil || x.Part != Erasure) {
			return refused("%s: the record %s, by which piece %s was erased, is missing", nameEvidence, e.Erasure, e.Digest)
		}
	}
	return nil
}

// subject tells whether a record is of the visit, or of the machine and the time: those without a machine of a visit in
// which the machine has a record are too.
func (o *opened) subject(x *read, visits map[events.RecordID]bool) bool {
	if !o.about.Visit.IsZero() {
		return x.r.Visit == o.about.Visit
	}
	if x.r.Done < o.about.From || x.r.Done > o.about.To {
		return false
	}
	return x.r.Machine == o.about.Machine || x.r.Machine == "" && visits[x.r.Visit]
}

// related finds what hangs together with the subject by corrections and admissions, over any number of steps.
func (o *opened) related() map[Name]bool {
	next := map[Name][]Name{}
	var found []Name
	for _, x := range o.records {
		if x.Part == Subject {
			found = append(found, x.name)
		}
		if t, ok, err := events.CorrectionOf(&x.r); ok && err == nil {
			target := Name{t.Device, t.Seq}
			next[x.name], next[target] = append(next[x.name], target), append(next[target], x.name)
		}
	}
	related := map[Name]bool{}
	for ; len(found) > 0; found = found[1:] {
		for _, n := range next[found[0]] {
			if !related[n] {
				related[n] = true
				found = append(found, n)
			}
		}
	}
	return related
}

// checkChains holds the stretches to their order, and to records and receipts that need them.
func (o *opened) checkChains() error {
	hashes := 0
	for _, c := range o.chains {
		var end events.Seq
		for i, s := range c.Stretches {
			hashes += len(s.Hashes)
			if len(s.Hashes) == 0 || s.End() < s.Before || i > 0 && s.Before < end {
				return refused("%s: stretch %d is empty or out of order", nameChain(c.Device), i+1)
			}
			before := s.Before
			for _, seal := range s.Seals {
				if seal.Seq <= before || seal.Seq > s.End() || len(seal.Signature) != 64 || len(seal.Seen) > checkpointText {
					return refused("%s: the seal at record %d is out of order, or has not the form of one", nameChain(c.Device), seal.Seq)
				}
				before = seal.Seq
			}
			if before != s.End() || len(s.Seals) == 0 {
				return refused("%s: record %d, the last of its stretch, is not sealed", nameChain(c.Device), s.End())
			}
			if !slices.ContainsFunc(o.records, func(x *read) bool { return x.name.Device == c.Device && x.name.Seq > s.Before && x.name.Seq <= s.End() }) {
				return refused("%s: stretch %d has no record that is shown", nameChain(c.Device), i+1)
			}
			end = s.End()
		}
	}
	if hashes > maxHashes {
		return refused("%d hashes of chains, at most %d are allowed", hashes, maxHashes)
	}
	for _, x := range o.records {
		if o.stretch(x.name) == nil {
			return refused("record %s stands in no stretch of a chain", x.name)
		}
	}
	return nil
}

const (
	maxHashes      = 400_000
	checkpointText = 1 << 10
)

// stretch finds the stretch in which a record stands, or nil.
func (o *opened) stretch(n Name) *Stretch {
	i, ok := slices.BinarySearchFunc(o.chains, n.Device, func(c Chain, d events.DeviceID) int {
		return compareNames(Name{c.Device, 0}, Name{d, 0})
	})
	if !ok {
		return nil
	}
	for j := range o.chains[i].Stretches {
		if s := &o.chains[i].Stretches[j]; n.Seq > s.Before && n.Seq <= s.End() {
			return s
		}
	}
	return nil
}
