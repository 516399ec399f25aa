package dossier

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"
	"slices"

	"ullage/events"
	"ullage/events/checkpoint"
)

// chainsHold follows each device's chain, and checks its seals.
func (c *checking) chainsHold() {
	for _, chain := range c.chains {
		var failures []string
		fail := func(format string, a ...any) { failures = append(failures, fmt.Sprintf(format, a...)) }
		records, seals := 0, 0
		ring := c.rings[chain.Device]
		for _, s := range chain.Stretches {
			link := s.Link
			if key := ring.at(1); s.Before == 0 && key != nil && link != events.FirstLink(chain.Device, key) {
				fail("its chain does not begin with its key")
			}
			rest := s.Seals
			for i, h := range s.Hashes {
				at := Name{chain.Device, s.Before + events.Seq(i) + 1}
				if x := c.byName[at]; x != nil {
					records++
					if x.hash != h {
						fail("record %s is not the one that stands in the chain", at)
					}
				}
				link = events.Link(link, h)
				c.links[at] = link
				if rest[0].Seq != at.Seq {
					continue
				}
				seal := events.Seal{Seq: rest[0].Seq, Seen: rest[0].Seen, Signature: rest[0].Signature}
				rest = rest[1:]
				seals++
				switch key := ring.at(at.Seq); {
				case key == nil:
					fail("no record gives the key of its seal at record %d", at.Seq)
				case events.VerifySeal(key, chain.Device, link, seal) != nil:
					fail("the seal at record %d does not hold: the record, or one before it, is not what the device sealed", at.Seq)
				}
			}
		}
		c.outcome("chain of "+string(chain.Device), failures, "%s in %s, all linked, and %s",
			count(records, "record that is shown", "records that are shown"), count(len(chain.Stretches), "stretch", "stretches"), count(seals, "seal that holds", "seals that hold"))
	}
}

// logHolds checks the checkpoint, and each record's place in the log.
func (c *checking) logHolds() {
	for _, l := range c.log.Leaves {
		c.index[l.Record] = l.Index
	}
	at, err := checkpoint.Open(c.log.Checkpoint, c.logKey)
	if err == nil && at.Origin != c.origin {
		err = fmt.Errorf("it is of %s, not of %s", at.Origin, c.origin)
	}
	if err != nil {
		c.say("public log", Fails, "the checkpoint: %v", err)
		return
	}
	var failures []string
	for i, l := range c.log.Leaves {
		if err := checkpoint.Includes(at, l.Index, c.records[i].hash, l.Proof); err != nil {
			failures = append(failures, fmt.Sprintf("record %s does not stand at place %d of the log", l.Record, l.Index))
		}
	}
	for _, s := range c.log.Seen {
		b := c.byName[s.Record].body.(*events.CheckpointSeen)
		then := checkpoint.Checkpoint{Origin: b.Origin, Size: uint64(b.Size), Root: b.Root}
		if err := checkpoint.Extends(then, at, s.Extension); err != nil {
			failures = append(failures, fmt.Sprintf("the log does not go on from the checkpoint of which record %s tells", s.Record))
		}
	}
	c.outcome("public log", failures, "all %d records stand in %s under the checkpoint of %d records, which its key signed", len(c.records), at.Origin, at.Size)
}

// keysHold tells by which keys the records of each device are sealed, and whether those were good at the time.
func (c *checking) keysHold() {
	admitted := map[Name]bool{}
	offices := c.offices()
	for _, x := range c.records {
		if b, ok := x.body.(*events.RecordAdmitted); ok && offices[x.name.Device] {
			admitted[Name{b.Target.Device, b.Target.Seq}] = true
		}
	}
	indexOf := func(n Name) uint64 { return c.index[n] }
	for _, chain := range c.chains {
		var failures []string
		ring := c.rings[chain.Device]
		let := 0
		for _, x := range c.records {
			if x.name.Device != chain.Device {
				continue
			}
			key := ring.at(x.name.Seq)
			if key == nil {
				failures = append(failures, fmt.Sprintf("no record gives the key that seals record %s", x.name))
				break
			}
			by := ring.ended(key, c.index[x.name], indexOf)
			switch {
			case by != nil && admitted[x.name]:
				let++
			case by != nil:
				failures = append(failures, fmt.Sprintf("record %s came into the log after its key was revoked by %s", x.name, by.name))
			}
		}
		if ring != nil && ring.twice {
			failures = append(failures, "it was let in more than once")
		}
		words := "none"
		if ring != nil {
			words = ring.words(offices[chain.Device])
		}
		if let > 0 {
			words += fmt.Sprintf("; %s after it was revoked, and the office let them in", count(let, "record came", "records came"))
		}
		c.outcome("keys of "+string(chain.Device), failures, "%s", words)
	}
}

func (k *keyring) words(office bool) string {
	words := ""
	for i, s := range k.spans {
		switch {
		case i > 0:
			words += fmt.Sprintf(", renewed by record %s", s.by)
		case office:
			words = "an office's, whose first key is taken on the word of the log"
		default:
			words = fmt.Sprintf("let in by record %s", s.by)
		}
		words += fmt.Sprintf(" (%x…)", s.key[:4])
	}
	for _, x := range k.revoked {
		words += fmt.Sprintf(", revoked by record %s", x.name)
	}
	return words
}

// receipt finds the receipt of a record that came first, or nil.
func (o *opened) receipt(n Name) (first *Receipt) {
	for i := range o.receipts {
		if r := &o.receipts[i]; r.covers(n) && (first == nil || r.Received < first.Received) {
			first = r
		}
	}
	return first
}

// receiptsHold checks the gates' signatures, and that what they signed is the chain that is shown.
func (c *checking) receiptsHold() {
	var failures []string
	for _, r := range c.receipts {
		of := fmt.Sprintf("the receipt of %s up to record %d", r.Device, r.Last)
		i := slices.IndexFunc(c.keys.Gates, func(h Held) bool { return h.Device == r.Gate })
		switch link, ok := c.links[Name{r.Device, r.Last}]; {
		case i < 0:
			failures = append(failures, of+" is by a gate whose key is not in the file")
		case r.verify(ed25519.PublicKey(c.keys.Gates[i].Key)) != nil:
			failures = append(failures, of+" was not signed by its gate")
		case !ok || link != r.Link:
			failures = append(failures, of+" is for another chain than the one that is shown")
		}
	}
	for _, x := range c.records {
		r := c.receipt(x.name)
		if r == nil {
			failures = append(failures, fmt.Sprintf("record %s has no receipt", x.name))
		} else if x.Part == Subject || x.Part == Related {
			c.latest = max(c.latest, r.Received)
		}
	}
	c.outcome("receipts", failures, "%s, each signed by the gate that took the records in", count(len(c.receipts), "receipt", "receipts"))
}

// timesHold tells when the records were written: not before the last checkpoint of which their device had written, and
// not after their receipt.
func (c *checking) timesHold() {
	type group struct {
		device      events.DeviceID
		first, last events.Seq
		records     int
		seen        *Checkpoint
		receipt     *Receipt
		outside     int // records whose device's clock disagrees
	}
	var groups []group
	for _, x := range c.shown() {
		r := c.receipt(x.name)
		if r == nil {
			continue
		}
		seen := c.before(x.name)
		at := x.r.Clock.At()
		out := 0
		if at > r.Received || seen != nil && at < seen.Received {
			out = 1
		}
		if n := len(groups); n > 0 && groups[n-1].device == x.name.Device && groups[n-1].seen == seen && groups[n-1].receipt == r {
			g := &groups[n-1]
			g.last, g.records, g.outside = x.name.Seq, g.records+1, g.outside+out
			continue
		}
		groups = append(groups, group{x.name.Device, x.name.Seq, x.name.Seq, 1, seen, r, out})
	}
	for _, g := range groups {
		words := fmt.Sprintf("%s of %s (%d to %d) written ", count(g.records, "record", "records"), g.device, g.first, g.last)
		if g.seen != nil {
			words += fmt.Sprintf("after %s (the checkpoint of which record %s tells is no older) and ", g.seen.Received.Format(0), g.seen.Record)
		}
		words += fmt.Sprintf("before %s (received)", g.receipt.Received.Format(0))
		if g.seen == nil {
			words += "; nothing in the file says since when"
		}
		if g.outside > 0 {
			words += fmt.Sprintf("; the device's own clock says otherwise for %s", count(g.outside, "of them", "of them"))
		}
		if g.seen != nil && g.seen.Received > g.receipt.Received {
			c.say("time", Fails, "%s: that cannot be", words)
		} else {
			c.say("time", Holds, "%s", words)
		}
	}
}

// before finds the last checkpoint that a device had seen before a record in the same stretch of its chain, or nil.
func (c *checking) before(n Name) (last *Checkpoint) {
	in := c.stretch(n)
	for i := range c.log.Seen {
		if s := &c.log.Seen[i]; s.Record.Device == n.Device && s.Record.Seq > in.Before && s.Record.Seq < n.Seq {
			last = s
		}
	}
	return last
}

// after tells whether a record came after another: in the chain of their device, or else in the log.
func (c *checking) after(x, y *read) bool {
	if x.name.Device == y.name.Device {
		return x.name.Seq > y.name.Seq
	}
	return c.index[x.name] > c.index[y.name]
}

// signatures tells what was signed.
func (c *checking) signatures() {
	signed := false
	for _, x := range c.shown() {
		b, ok := x.body.(*events.SignatureCaptured)
		if !ok {
			continue
		}
		signed = true
		if b.Declined != "" {
			c.say("signature", NotClaimed, "record %s: nobody signed, %.40q", x.name, string(b.Declined))
			continue
		}
		later, amended := 0, 0
		for _, y := range c.shown() {
			if !c.after(y, x) {
				continue
			}
			if t, ok, err := events.CorrectionOf(&y.r); ok && err == nil {
				if z := c.byName[Name{t.Device, t.Seq}]; z != nil && z.r.Visit == x.r.Visit && y.r.Kind != events.KindAdmitted {
					amended++
				}
			} else if y.r.Visit == x.r.Visit {
				later++
			}
		}
		summary := "the record does not say what was shown to the signer"
		if !b.Shown.IsZero() {
			summary = "the summary that was signed is not in the file, its digest is " + b.Shown.String()
			if c.here(b.Shown) {
				summary = "the summary that was signed is in " + namePiece(b.Shown)
			}
		}
		c.say("signature", Holds, "record %s: %s; %s, and %s of the visit", x.name, summary,
			count(amended, "correction came after it", "corrections came after it"), count(later, "other record", "other records"))
	}
	if !signed {
		c.say("signature", NotClaimed, "no record that is shown is a signature")
	}
}

// corrections tells what was put right.
func (c *checking) corrections() {
	for _, x := range c.shown() {
		t, ok, err := events.CorrectionOf(&x.r)
		if !ok || err != nil {
			continue
		}
		target := Name{t.Device, t.Seq}
		y := c.byName[target]
		verb := map[events.Kind]string{events.KindAmended: "amends", events.KindWithdrawn: "withdraws", events.KindAdmitted: "admits"}[x.r.Kind]
		switch {
		case y == nil:
			c.say("correction", NotClaimed, "record %s %s record %s, which is not shown", x.name, verb, target)
			continue
		case y.hash != t.Hash:
			c.say("correction", Fails, "record %s %s a record %s with other bytes than those that are shown", x.name, verb, target)
			continue
		}
		words := fmt.Sprintf("record %s %s record %s; both are shown", x.name, verb, target)
		for _, s := range c.shown() {
			b, ok := s.body.(*events.SignatureCaptured)
			if ok && b.Declined == "" && x.r.Kind != events.KindAdmitted && s.r.Visit == y.r.Visit && !s.r.Visit.IsZero() && c.after(x, s) && !c.after(y, s) {
				words += fmt.Sprintf("; it came AFTER the signature of record %s, over what had been signed", s.name)
			}
		}
		c.say("correction", Holds, "%s", words)
	}
}

// held tells of records that were not let in.
func (c *checking) held() {
	for _, x := range c.records {
		if x.Held != "" {
			c.say("held", NotClaimed, "record %s is held, on the word of the centre: %.500q", x.name, x.Held)
		}
	}
}

func (c *checking) here(d events.Digest) bool {
	return slices.ContainsFunc(c.evidence, func(e Evidence) bool { return e.Digest == d && e.State == Here })
}

// pieces checks the evidence that is here, and tells why other pieces are not.
func (c *checking) pieces() {
	states := map[State]int{}
	var failures []string
	offices := c.offices()
	for _, e := range c.evidence {
		states[e.State]++
		switch e.State {
		case Here:
			h := sha256.New()
			h.Write(e.Salt[:])
			h.Write(e.Piece)
			if events.Digest(h.Sum(nil)) != e.Digest {
				failures = append(failures, fmt.Sprintf("%s is not what record %s names", namePiece(e.Digest), c.named[e.Digest][0]))
			}
		case Erased:
			x := c.byName[e.Erasure]
			b := x.body.(*events.ErasureDone)
			switch ground := "a text that is kept as evidence"; {
			case !offices[x.name.Device] || !slices.Contains(b.Evidence, e.Digest):
				c.say("evidence", Fails, "record %s does not say that piece %s was erased", x.name, e.Digest)
			default:
				if b.Ground.Plain != "" {
					ground = fmt.Sprintf("%q", b.Ground.Plain)
				}
				by := string(x.r.By)
				if by == "" {
					by = string(x.name.Device)
				}
				c.say("evidence", NotClaimed, "piece %s was erased on %s by %s, on the ground: %s (record %s)", e.Digest, x.r.Done.Format(x.r.Zone), by, ground, x.name)
			}
		}
	}
	if states[Here] > 0 {
		c.outcome("evidence", failures, "%s in the file, as the records name it", count(states[Here], "piece is", "pieces are"))
	}
	if n := states[NotYet]; n > 0 {
		c.say("evidence", NotClaimed, "%s at the centre when the file was made", count(n, "piece was not", "pieces were not"))
	}
	if n := states[Away]; n > 0 {
		c.say("evidence", NotClaimed, "%s out, being too large together; the digests stand in the records", count(n, "piece did not go", "pieces did not go"))
	}
	if len(c.evidence) == 0 {
		c.say("evidence", NotClaimed, "the records name none")
	}
}
