package dossier

import (
	"crypto/ed25519"
	"fmt"

	"ullage/events"
	"ullage/events/checkpoint"
)

// Verdict says what became of a claim.
type Verdict string

// The verdicts.
const (
	Holds      Verdict = "holds"
	Fails      Verdict = "fails"
	NotClaimed Verdict = "not claimed" // the file says nothing of it, or cannot
)

// Claim is one thing that a dossier shows, or does not.
type Claim struct {
	Name    string  `json:"claim"`
	Verdict Verdict `json:"verdict"`
	Words   string  `json:"words"`
}

// Report is what Verify says of a dossier.
type Report struct {
	Shows  string        `json:"shows"` // what the file shows, and what it does not
	Holds  bool          `json:"holds"` // no claim fails
	Key    string        `json:"key"`   // of the log, as in the file: NAME+12345678+BASE64
	Digest events.Hash   `json:"digest"`
	Made   events.Millis `json:"-"`
	Claims []Claim       `json:"claims"`
}

// Verify checks a dossier. trusted is the key of the log as the reader has it from elsewhere, in the form of Report.Key;
// empty for none, and then the file is checked against its own key, which the report says.
//
// The error wraps ErrRefused where the file is not one that Make writes, or holds what it should not, and nothing more
// can be said; any other is about trusted. That claims fail is no error.
func Verify(file []byte, trusted string) (*Report, error) {
	var key ed25519.PublicKey
	if trusted != "" {
		var err error
		if _, key, err = checkpoint.ParseKeyName(trusted); err != nil {
			return nil, err
		}
	}
	o, err := open(file)
	if err != nil {
		return nil, err
	}
	c := &checking{opened: o, rings: o.keyrings(), links: map[Name]events.Hash{}, index: map[Name]uint64{}, report: &Report{
		Key: o.keys.Log, Digest: Digest(file), Made: o.about.Made, Holds: true,
	}}
	c.file()
	c.key(key)
	c.chainsHold()
	c.logHolds()
	c.keysHold()
	c.receiptsHold()
	c.timesHold()
	c.signatures()
	c.corrections()
	c.held()
	c.pieces()
	c.say("completeness", NotClaimed, "that nothing was left out cannot be shown by a file; %d records between those that are shown are here as hashes only", c.hidden())
	c.first()
	return c.report, nil
}

// checking is a dossier being checked.
type checking struct {
	*opened
	rings  map[events.DeviceID]*keyring
	links  map[Name]events.Hash // of the chains, at the records of stretches
	index  map[Name]uint64      // in the log
	latest events.Millis        // the latest receipt of a record that is shown
	report *Report
}

func (c *checking) say(claim string, v Verdict, format string, a ...any) {
	if v == Fails {
		c.report.Holds = false
	}
	c.report.Claims = append(c.report.Claims, Claim{claim, v, fmt.Sprintf(format, a...)})
}

// outcome says what holds, or what the first of the failures is.
func (c *checking) outcome(claim string, failures []string, format string, a ...any) {
	switch len(failures) {
	case 0:
		c.say(claim, Holds, format, a...)
	case 1:
		c.say(claim, Fails, "%s", failures[0])
	default:
		c.say(claim, Fails, "%s; and %d more", failures[0], len(failures)-1)
	}
}

// shown lists the records that the dossier is about.
func (c *checking) shown() (list []*read) {
	for _, x := range c.records {
		if x.Part == Subject || x.Part == Related {
			list = append(list, x)
		}
	}
	return list
}

func (c *checking) hidden() int {
	n := -len(c.records)
	for _, chain := range c.chains {
		for _, s := range chain.Stretches {
			n += len(s.Hashes)
		}
	}
	return n
}

func (o *opened) what() string {
	if !o.about.Visit.IsZero() {
		return "of visit " + o.about.Visit.String()
	}
	return fmt.Sprintf("of machine %s from %s to %s", o.about.Machine, o.about.From.Format(0), o.about.To.Format(0))
}

// first makes the first line of the report.
func (c *checking) first() {
	if !c.report.Holds {
		n := 0
		for _, x := range c.report.Claims {
			if x.Verdict == Fails {
				n++
			}
		}
		c.report.Shows = fmt.Sprintf("This file does NOT show what it should about the records %s: %s. Do not rely on it.", c.what(), count(n, "claim fails", "claims fail"))
		return
	}
	c.report.Shows = fmt.Sprintf("This shows that these %s %s have not changed since %s, and which devices sealed them. It does not show that what they say was true, nor that nothing was left out.",
		count(len(c.shown()), "record", "records"), c.what(), c.latest.Format(0))
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func (c *checking) file() {
	c.say("file", Holds, "made %s; all its parts are those that the log's key signed for", c.about.Made.Format(0))
	if c.others {
		c.say("readme", NotClaimed, "README.txt is not the text that this program knows")
	}
}

func (c *checking) key(trusted ed25519.PublicKey) {
	switch {
	case trusted == nil:
		c.say("key of the log", NotClaimed, "checked against the key in the file; compare it with one you have from elsewhere: %s", c.keys.Log)
	case !trusted.Equal(c.logKey):
		c.say("key of the log", Fails, "the file was signed by another key than the one you gave: %s", c.keys.Log)
	default:
		c.say("key of the log", Holds, "it is the one you gave: %s", c.keys.Log)
	}
}
