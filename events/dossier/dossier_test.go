package dossier

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"

	"golang.org/x/mod/sumdb/note"

	"ullage/events"
	"ullage/events/checkpoint"
)

func trusted(w *world) string { return checkpoint.KeyName(origin, public(w.log)) }

func mustVerify(t *testing.T, file []byte, key string) *Report {
	t.Helper()
	r, err := Verify(file, key)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// failing lists the claims that fail.
func failing(r *Report) (names []string) {
	for _, c := range r.Claims {
		if c.Verdict == Fails {
			names = append(names, c.Name)
		}
	}
	return names
}

func TestVerify(t *testing.T) {
	w, d := story(t)
	file := mustMake(t, w, d)
	r := mustVerify(t, file, trusted(w))
	if !r.Holds || len(failing(r)) > 0 {
		t.Fatalf("a good dossier: %+v", r.Claims)
	}
	said := r.Shows + "\n"
	for _, c := range r.Claims {
		said += string(c.Verdict) + " " + c.Name + ": " + c.Words + "\n"
	}
	for _, want := range []string{
		"these 8 records of visit " + w.visit.String() + " have not changed since 2026-02-25T06:19:39Z", "does not show that what they say was true",
		"holds key of the log: it is the one you gave: log.example/1+", "holds chain of tab-1: 8 records", "all 14 records stand in log.example/1 under the checkpoint of 18 records",
		"let in by record office-1/1 (", "renewed by record tab-1/8 (", "revoked by record office-1/6",
		"4 records of tab-1 (3 to 7) written after 2026-02-25T06:14:25Z (the checkpoint of which record tab-1/1 tells is no older) and before 2026-02-25T06:15:32Z",
		"1 record of tab-2 (1 to 1) written before 2026-02-25T06:18:36Z (received); nothing in the file says since when",
		"holds signature: record tab-1/9: the summary that was signed is in evidence/", "1 correction came after it, and 2 other records",
		"record office-1/4 amends record tab-1/4; both are shown; it came AFTER the signature of record tab-1/9",
		`was erased on 2026-02-25T07:18:38+01:00 by O1, on the ground: "asked for" (record office-1/5)`, "2 pieces are in the file",
		"1 piece was not at the centre", "1 piece did not go out", "not claimed completeness", "3 records between those that are shown are here as hashes only",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said in\n%s", want, said)
		}
	}
	if err := Second(file); err != nil {
		t.Errorf("the second verifier: %v", err)
	}
	if r := mustVerify(t, file, ""); !r.Holds || !strings.Contains(r.Claims[1].Words, "compare it with one you have from elsewhere: "+trusted(w)) || r.Claims[1].Verdict != NotClaimed {
		t.Errorf("without a key: %+v", r.Claims[1])
	}
	if r := mustVerify(t, file, checkpoint.KeyName(origin, public(seedKey("another")))); r.Holds || !strings.HasPrefix(r.Shows, "This file does NOT show") {
		t.Errorf("with another key: %s", r.Shows)
	}
	if _, err := Verify(file, "no key"); err == nil || errors.Is(err, ErrRefused) {
		t.Errorf("with a key that is none: %v", err)
	}
}

// A stranger's tools must open it: the standard library's reader of archives, and its reader of signed notes.
func TestOthersRead(t *testing.T) {
	w, d := story(t)
	file := mustMake(t, w, d)
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	members, err := unarchive(file)
	if err != nil || len(members) != len(z.File) {
		t.Fatalf("%d members, %d for the other reader, %v", len(members), len(z.File), err)
	}
	for i, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(r)
		if err != nil || f.Name != members[i].name || !bytes.Equal(b, members[i].data) {
			t.Errorf("%s: %v", f.Name, err)
		}
		if f.Name == nameManifest {
			name := checkpoint.KeyName(signer(public(w.log)), public(w.log))
			v, err := note.NewVerifier(name)
			if err != nil {
				t.Fatal(err)
			}
			n, err := note.Open(b, note.VerifierList(v))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := checkpoint.Parse(n.Text); err == nil {
				t.Error("a manifest is taken for a checkpoint")
			}
		}
	}
}

func TestEveryByte(t *testing.T) {
	w, d := story(t)
	file := mustMake(t, w, d)
	for i := range file {
		file[i] ^= 1 << (i % 8)
		if r, err := Verify(file, trusted(w)); !errors.Is(err, ErrRefused) {
			t.Fatalf("byte %d changed: %v, %v", i, err, r)
		}
		file[i] ^= 1 << (i % 8)
	}
	for i := 0; i < len(file); i += 7 {
		if _, err := Verify(file[:i], ""); !errors.Is(err, ErrRefused) {
			t.Fatalf("cut at byte %d: %v", i, err)
		}
	}
	for _, b := range [][]byte{append([]byte{0}, file...), append(slices.Clone(file), 0)} {
		if _, err := Verify(b, ""); !errors.Is(err, ErrRefused) {
			t.Errorf("a byte more: %v", err)
		}
	}
}

// signAnew gives members a manifest by the log's key, as a centre could that wants to pass something else off.
func signAnew(members []member, key ed25519.PrivateKey) []member {
	members = slices.DeleteFunc(slices.Clone(members), func(m member) bool { return m.name == nameManifest })
	slices.SortStableFunc(members, func(a, b member) int { return strings.Compare(a.name, b.name) })
	text := list(members, public(key))
	return append(members, member{nameManifest, signed(text, public(key), ed25519.Sign(key, text))})
}

// Whoever has not the log's key can list other members, but not sign the list.
func TestManifest(t *testing.T) {
	w, d := story(t)
	d.About.Made++
	for name, sign := range map[string]Sign{
		"another key":  func(text []byte) ([]byte, error) { return ed25519.Sign(seedKey("other"), text), nil },
		"another text": func(text []byte) ([]byte, error) { return ed25519.Sign(w.log, text[1:]), nil },
		"no signature": func([]byte) ([]byte, error) { return make([]byte, ed25519.SignatureSize), nil },
	} {
		file, err := Make(d, public(w.log), sign)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Verify(file, ""); !errors.Is(err, ErrRefused) || Second(file) == nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	bad := errors.New("the key is locked away")
	if _, err := Make(d, public(w.log), func([]byte) ([]byte, error) { return nil, bad }); !errors.Is(err, bad) {
		t.Errorf("a signer that fails: %v", err)
	}
}

// Members dropped, swapped, repeated and added, by a stranger and by the centre itself.
func TestMembers(t *testing.T) {
	w, d := story(t)
	members, err := unarchive(mustMake(t, w, d))
	if err != nil {
		t.Fatal(err)
	}
	check := func(what string, changed []member) {
		t.Helper()
		for by, list := range map[string][]member{"a stranger": changed, "the centre": signAnew(changed, w.log)} {
			// Of two pieces of evidence that the centre swaps, each is whole, and neither is what the records name.
			if Second(archive(list)) == nil {
				t.Errorf("%s by %s: the second verifier takes it", what, by)
			}
			if r, err := Verify(archive(list), trusted(w)); err == nil && r.Holds || by == "a stranger" && !errors.Is(err, ErrRefused) {
				t.Errorf("%s by %s: %v, %+v", what, by, err, r)
			}
		}
	}
	for i, m := range members {
		if m.name != nameManifest {
			check("dropped "+m.name, slices.Delete(slices.Clone(members), i, i+1))
		}
		if m.name != nameManifest {
			check("twice "+m.name, append(slices.Clone(members), m))
		}
		if next := members[(i+1)%len(members)]; m.name != nameManifest && next.name != nameManifest && m.name != nameReadme && next.name != nameReadme {
			swapped := slices.Clone(members)
			swapped[i].data, swapped[(i+1)%len(members)].data = next.data, m.data
			check("swapped "+m.name, swapped)
		}
	}
	for _, name := range []string{"records/tab-1/2.record", "chains/tab-9.json", "evidence/" + strings.Repeat("0", 64) + ".piece", "more.txt", "a/../b", "records/"} {
		check("added "+name, append(slices.Clone(members), member{name, members[0].data}))
	}
	// Out of order, and yet an archive that others read.
	slices.Reverse(members)
	if _, err := Verify(archive(members), ""); err != nil {
		t.Errorf("archive sorts: %v", err)
	}
}

// forged are dossiers that a centre could make which holds the log's key and the gate's, and whose past is another one
// than its devices know. Each is refused, or a claim fails.
var forged = []struct {
	name   string
	change func(w *world, d *Dossier)
	claim  string // that fails; empty where the file is refused
	says   string
}{
	{"a record changed, and its hash with it", func(w *world, d *Dossier) {
		i := record(d, "tab-1/4")
		raw := bytes.Replace(d.Records[i].Raw, []byte("sludge"), []byte("bathes"), 1)
		d.Chains[1].Stretches[0].Hashes[3] = events.HashRecord(raw)
		d.Records[i].Raw = raw
	}, "chain of tab-1", "the seal at record 7 does not hold"},
	{"a record changed, and not its hash", func(w *world, d *Dossier) {
		i := record(d, "tab-1/4")
		d.Records[i].Raw = bytes.Replace(d.Records[i].Raw, []byte("sludge"), []byte("bathes"), 1)
	}, "chain of tab-1", "record tab-1/4 is not the one that stands in the chain"},
	{"a hidden record changed", func(w *world, d *Dossier) { d.Chains[1].Stretches[0].Hashes[1][0] ^= 1 }, "chain of tab-1", "the seal at record 7 does not hold"},
	{"a link before changed", func(w *world, d *Dossier) { d.Chains[2].Stretches[0].Link[0] ^= 1 }, "chain of tab-2", "does not begin with its key"},
	{"a seal by another key", func(w *world, d *Dossier) {
		s := &d.Chains[2].Stretches[0]
		s.Seals[0].Signature = events.SignSeal(seedKey("other"), "tab-2", 1, w.devices["tab-2"].links[1], "").Signature
	}, "chain of tab-2", "the seal at record 1 does not hold"},
	{"what a seal has seen changed", func(w *world, d *Dossier) { d.Chains[2].Stretches[0].Seals[0].Seen = "x" }, "chain of tab-2", "does not hold"},
	{"a device let in by itself", func(w *world, d *Dossier) { d.Keys.Offices = []Held{{"tab-1", Hex(public(seedKey("tab-1")))}} }, "chain of office-1", "no record gives the key"},
	{"a renewal left out", func(w *world, d *Dossier) { drop(d, "tab-1/8") }, "chain of tab-1", "the seal at record 10 does not hold"},
	{"the letting in left out", func(w *world, d *Dossier) { drop(d, "office-1/2") }, "chain of tab-2", "no record gives the key of its seal"},
	{"a device let in by another that is not the office's", func(w *world, d *Dossier) {
		one := w.devices["tab-1"]
		n := w.write(one, &events.DeviceEnrolled{Device: "tab-2", Keys: []events.DeviceKey{{Use: "sealing", Key: public(seedKey("tab-2"))}}}, nil)
		w.push(one)
		drop(d, "office-1/2")
		*d = recollect(w, d, n, Key)
	}, "chain of tab-2", "no record gives the key of its seal"},
	{"a record that is not in the log", func(w *world, d *Dossier) {
		two := w.devices["tab-2"]
		n := w.write(two, &events.TimeSpent{What: "work", Minutes: 600}, w.in(w.visit))
		d.Records = append(d.Records, Record{Part: Subject, Raw: w.raw(n)})
		d.Chains[2].Stretches[0].Hashes = two.hashes
		seal := two.seal(n.Seq)
		d.Chains[2].Stretches[0].Seals = append(d.Chains[2].Stretches[0].Seals, Seal{seal.Seq, seal.Seen, seal.Signature})
		leaf := d.Log.Leaves[len(d.Log.Leaves)-1]
		leaf.Record = n
		d.Log.Leaves = append(d.Log.Leaves, leaf)
		r := two.commits[1].receipt
		r.First, r.Last, r.Link = n.Seq, n.Seq, two.links[n.Seq]
		r.Sign("office-1", w.gate)
		d.Receipts = append(d.Receipts, ReceiptOf(&r))
	}, "public log", "record tab-2/3 does not stand at place"},
	{"a record after its key was revoked", func(w *world, d *Dossier) {
		two := w.devices["tab-2"]
		n := w.write(two, &events.TimeSpent{What: "work", Minutes: 600}, w.in(w.visit))
		w.push(two)
		*d = recollect(w, d, n, Subject)
	}, "keys of tab-2", "record tab-2/3 came into the log after its key was revoked by office-1/6"},
	{"a place in the log that is another's", func(w *world, d *Dossier) { d.Log.Leaves[0].Index++ }, "public log", "record office-1/1 does not stand at place 1"},
	{"a proof that is cut", func(w *world, d *Dossier) { d.Log.Leaves[3].Proof = d.Log.Leaves[3].Proof[1:] }, "public log", "does not stand at place"},
	{"a checkpoint by another key", func(w *world, d *Dossier) {
		at := checkpoint.Checkpoint{Origin: origin, Size: uint64(len(w.leaves)), Root: checkpoint.Root(w.leaves)}
		d.Log.Checkpoint, _ = checkpoint.Sign(at, seedKey("other"))
	}, "public log", "the checkpoint: the signature"},
	{"a checkpoint of another log", func(w *world, d *Dossier) {
		at := checkpoint.Checkpoint{Origin: "another", Size: uint64(len(w.leaves)), Root: checkpoint.Root(w.leaves)}
		d.Log.Checkpoint, _ = checkpoint.Sign(at, w.log)
	}, "public log", "it is of another, not of log.example/1"},
	{"a log that had another past", func(w *world, d *Dossier) { d.Log.Seen[0].Extension[0][0] ^= 1 }, "public log", "does not go on from the checkpoint of which record tab-1/1 tells"},
	{"a checkpoint that is younger than the receipt", func(w *world, d *Dossier) { d.Log.Seen[0].Received = w.now + 1 }, "time", "that cannot be"},
	{"a receipt by nobody", func(w *world, d *Dossier) { d.Receipts[0].Signature[0] ^= 1 }, "receipts", "was not signed by its gate"},
	{"a receipt with another time", func(w *world, d *Dossier) { d.Receipts[2].Received -= 86_400_000 }, "receipts", "was not signed by its gate"},
	{"a receipt by another gate", func(w *world, d *Dossier) { d.Keys.Gates[0].Device = "office-2" }, "receipts", "by a gate whose key is not in the file"},
	{"a receipt for another chain", func(w *world, d *Dossier) {
		r := w.devices["tab-2"].commits[0].receipt
		r.Link[0] ^= 1
		r.Sign("office-1", w.gate)
		d.Receipts[slices.IndexFunc(d.Receipts, func(r Receipt) bool { return r.Device == "tab-2" })] = ReceiptOf(&r)
	}, "receipts", "is for another chain"},
	{"no receipt", func(w *world, d *Dossier) { d.Receipts = d.Receipts[1:] }, "receipts", "record office-1/1 has no receipt"},
	{"another picture", func(w *world, d *Dossier) { d.Evidence[1].Piece = []byte("M0 0L99 99") }, "evidence", "is not what record tab-1/9 names"},
	{"another salt", func(w *world, d *Dossier) { d.Evidence[0].Salt[0] ^= 1 }, "evidence", "is not what record"},
	{"an erasure that is not of this piece", func(w *world, d *Dossier) {
		d.Evidence[3].State, d.Evidence[3].Erasure = Erased, d.Evidence[2].Erasure
	}, "evidence", "does not say that piece"},
	{"a correction of other bytes", func(w *world, d *Dossier) {
		office := w.devices["office-1"]
		target := w.target(Name{"tab-1", 4})
		target.Hash[0] ^= 1
		n := w.write(office, &events.RecordWithdrawn{Target: target, Why: events.Text{Plain: "no"}}, nil)
		w.push(office)
		*d = recollect(w, d, n, Related)
	}, "correction", "a record tab-1/4 with other bytes"},

	{"a record of another visit", func(w *world, d *Dossier) { *d = recollect(w, d, Name{"tab-1", 2}, Subject) }, "", "record tab-1/2 is outside of what the file is about"},
	{"a record of another visit that corrects nothing", func(w *world, d *Dossier) { *d = recollect(w, d, Name{"tab-1", 2}, Related) }, "", "record tab-1/2 is outside"},
	{"the office's register", func(w *world, d *Dossier) { *d = recollect(w, d, Name{"office-1", 3}, Key) }, "", "record office-1/3 is outside"},
	{"keys of a device that has no part in it", func(w *world, d *Dossier) { drop(d, "tab-2/1") }, "", "record office-1/2 is outside"},
	{"a part that there is not", func(w *world, d *Dossier) { d.Records[0].Part = "more" }, "", "record office-1/1 is outside"},
	{"a record twice", func(w *world, d *Dossier) { d.Records = append(d.Records, d.Records[0]) }, "", "twice, or out of order"},
	{"a leaf too few", func(w *world, d *Dossier) { d.Log.Leaves = d.Log.Leaves[1:] }, "", "13 leaves for 14 records"},
	{"a leaf of another record", func(w *world, d *Dossier) { d.Log.Leaves[0].Record.Seq = 77 }, "", "is not that of record"},
	{"a receipt for nothing", func(w *world, d *Dossier) {
		d.Receipts = append(d.Receipts, ReceiptOf(&w.devices["tab-2"].commits[1].receipt))
	}, "", "is for no record that is shown"},
	{"a stretch for nothing", func(w *world, d *Dossier) {
		two := w.devices["tab-2"]
		seal := two.commits[1].seals[0]
		d.Chains[2].Stretches = append(d.Chains[2].Stretches, Stretch{1, two.links[1], two.hashes[1:], []Seal{{seal.Seq, seal.Seen, seal.Signature}}})
	}, "", "has no record that is shown"},
	{"a stretch whose end is not sealed", func(w *world, d *Dossier) { d.Chains[2].Stretches[0].Seals = nil }, "", "is not sealed"},
	{"stretches that overlap", func(w *world, d *Dossier) {
		c := &d.Chains[2]
		c.Stretches = append(c.Stretches, c.Stretches[0])
	}, "", "empty or out of order"},
	{"a record outside of the stretches", func(w *world, d *Dossier) { d.Chains = d.Chains[:2] }, "", "stands in no stretch"},
	{"a piece that nobody names", func(w *world, d *Dossier) {
		x, salt := salted("more")
		d.Evidence = append(d.Evidence, Evidence{Digest: x, State: Here, Salt: salt, Piece: []byte("more")})
	}, "", "lists 6 pieces; the records name 5"},
	{"a piece kept silent", func(w *world, d *Dossier) { d.Evidence = d.Evidence[1:] }, "", "lists 4 pieces; the records name 5"},
	{"an erasure without its record", func(w *world, d *Dossier) { drop(d, "office-1/5") }, "", "the record office-1/5, by which"},
	{"a checkpoint that is not told", func(w *world, d *Dossier) { d.Log.Seen = nil }, "", "not exactly the checkpoints that records are shown for"},
	{"a gate with a short key", func(w *world, d *Dossier) { d.Keys.Gates[0].Key = d.Keys.Gates[0].Key[1:] }, "", "is no key"},
	{"another log's key in the file", func(w *world, d *Dossier) { d.Keys.Log = checkpoint.KeyName(origin, public(seedKey("other"))) }, "", "manifest"},
}

func record(d *Dossier, name string) int {
	return slices.IndexFunc(d.Records, func(r Record) bool {
		x, err := readRecord(r)
		return err == nil && x.name.String() == name
	})
}

// drop leaves out a record, with all that stands for it.
func drop(d *Dossier, name string) {
	i := record(d, name)
	n, _ := ParseName(name)
	d.Records = slices.Delete(d.Records, i, i+1)
	d.Log.Leaves = slices.DeleteFunc(d.Log.Leaves, func(l Leaf) bool { return l.Record == n })
	switch name {
	case "tab-2/1":
		d.Chains = d.Chains[:2]
		d.Receipts = slices.DeleteFunc(d.Receipts, func(r Receipt) bool { return r.Device == "tab-2" })
	case "tab-1/8":
		d.Receipts = slices.DeleteFunc(d.Receipts, func(r Receipt) bool { return r.Device == "tab-1" && r.Last == 8 })
	}
}

// recollect makes the dossier anew with one record more.
func recollect(w *world, d *Dossier, n Name, p Part) Dossier {
	parts := map[Name]Part{n: p}
	for _, r := range d.Records {
		x, err := readRecord(r)
		if err != nil {
			panic(err)
		}
		parts[x.name] = x.Part
	}
	next := w.collect(parts)
	next.About, next.Evidence = d.About, d.Evidence
	return next
}

// blind are those that take more than README.txt to find: which fields of which kind name evidence.
var blind = map[string]bool{"a piece kept silent": true}

func TestForged(t *testing.T) {
	for _, c := range forged {
		t.Run(c.name, func(t *testing.T) {
			w, d := story(t)
			c.change(w, &d)
			file := mustMake(t, w, d)
			if err := Second(file); (err == nil) != blind[c.name] {
				t.Errorf("the second verifier: %v", err)
			}
			r, err := Verify(file, trusted(w))
			if c.claim == "" {
				if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), c.says) {
					t.Errorf("not refused with %q: %v, %+v", c.says, err, r)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(r.Claims, func(x Claim) bool { return x.Name == c.claim && x.Verdict == Fails })
			if r.Holds || i < 0 || !strings.Contains(r.Claims[i].Words, c.says) {
				t.Errorf("%q does not fail with %q: %+v", c.claim, c.says, r.Claims)
			}
		})
	}
}

// A record that the office let in after its device was revoked holds, and that is told.
func TestAdmitted(t *testing.T) {
	w, d := story(t)
	two, office := w.devices["tab-2"], w.devices["office-1"]
	late := w.write(two, &events.TimeSpent{What: "work", Minutes: 600}, w.in(w.visit))
	w.push(two)
	let := w.write(office, &events.RecordAdmitted{Target: w.target(late), Why: events.Text{Plain: "it was away"}}, nil)
	w.push(office)
	d = recollect(w, &d, late, Subject)
	d = recollect(w, &d, let, Related)
	r := mustVerify(t, mustMake(t, w, d), trusted(w))
	if err := Second(mustMake(t, w, d)); err != nil {
		t.Errorf("the second verifier: %v", err)
	}
	i := slices.IndexFunc(r.Claims, func(c Claim) bool { return c.Name == "keys of tab-2" })
	if !r.Holds || !strings.Contains(r.Claims[i].Words, "1 record came after it was revoked, and the office let them in") {
		t.Errorf("%+v", r.Claims[i])
	}
}

// A machine's history: what it has in that time, and what has no machine in its visits.
func TestMachine(t *testing.T) {
	w, d := story(t)
	d.About = About{Made: w.now, Machine: "nw-01", From: w.now - 3_600_000, To: w.now}
	if r := mustVerify(t, mustMake(t, w, d), trusted(w)); !r.Holds || !strings.Contains(r.Shows, "of machine nw-01 from ") {
		t.Errorf("%s", r.Shows)
	}
	d.About.To = d.About.From + 1
	if _, err := Verify(mustMake(t, w, d), trusted(w)); !errors.Is(err, ErrRefused) {
		t.Errorf("records outside of the time: %v", err)
	}
	d.About.Machine = "nw-02"
	if _, err := Verify(mustMake(t, w, d), trusted(w)); !errors.Is(err, ErrRefused) {
		t.Errorf("records of another machine: %v", err)
	}
}

// Whatever Make is given and in whatever order, the bytes are the same.
func TestOneForm(t *testing.T) {
	w, d := story(t)
	file := mustMake(t, w, d)
	slices.Reverse(d.Records)
	slices.Reverse(d.Log.Leaves)
	slices.Reverse(d.Receipts)
	slices.Reverse(d.Chains)
	slices.Reverse(d.Evidence)
	if !bytes.Equal(mustMake(t, w, d), file) {
		t.Error("another order makes another file")
	}
}

func FuzzVerify(f *testing.F) {
	w, d := story(&testing.T{})
	file, err := Make(d, public(w.log), w.sign)
	if err != nil {
		f.Fatal(err)
	}
	members, err := unarchive(file)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(file, "")
	for _, m := range members {
		if m.name != nameReadme && m.name != nameManifest {
			f.Add(file, m.name)
		}
	}
	// Where a member is named, what is fuzzed is that member in a dossier that the log's key signs anew, so that the
	// fuzzer gets past the manifest.
	f.Fuzz(func(t *testing.T, b []byte, name string) {
		file := b
		if name != "" {
			changed := slices.Clone(members)
			for i := range changed {
				if changed[i].name == name {
					changed[i].data = b
				}
			}
			file = archive(signAnew(changed, w.log))
		}
		r, err := Verify(file, "")
		if err != nil {
			return
		}
		if name == "" {
			again, err := unarchive(file)
			if err != nil || !bytes.Equal(archive(again), file) {
				t.Fatalf("a file that is taken is not in the one form: %v", err)
			}
		}
		if len(r.Claims) == 0 || r.Shows == "" {
			t.Fatal("nothing is said")
		}
	})
}
