package events_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"ullage/events"
	"ullage/events/pack"
)

// A golden file is one encoded record of one kind and version. What was once released is read for ever, so -update only
// writes the files that are missing; one that no longer fits its Go value fails, and is deleted by hand or not at all.
var update = flag.Bool("update", false, "write the golden files that are missing")

const goldenDir = "../testdata/golden"

func ptr[T any](x T) *T { return &x }

// sum stands for a piece of evidence, or for any other hash.
func sum(name string) events.Hash { return events.HashRecord([]byte(name)) }

func plain(s string) events.Text { return events.Text{Plain: s} }

func long(name string) events.Text { return events.Text{Digest: sum(name)} }

func visitID(n byte) events.RecordID {
	return events.NewRecordID(1772438520000+events.Millis(n), [10]byte{n, 1, 2, 3, 4, 5, 6, 7, 8, n})
}

func target(seq events.Seq) events.Target {
	return events.Target{Device: "tab-1", Seq: seq, Hash: sum(fmt.Sprint("record ", seq))}
}

// rfc8032Key is the key of RFC 8032, section 7.1, test 1: fixed, and known to everybody.
func rfc8032Key() ed25519.PrivateKey {
	seed, _ := hex.DecodeString("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
	return ed25519.NewKeyFromSeed(seed)
}

// goldenBodies holds a body of every kind in its newest version, with as many fields as one body can have.
var goldenBodies = []events.Body{
	// The visit.
	&events.VisitOpened{Reason: "return", Answers: target(17)},
	&events.VisitJoined{Other: "tab-2"},
	&events.VisitClosed{Outcome: "partial", WaitedMin: ptr(12.5), Text: plain("strainer to follow")},
	&events.WorkStarted{FoundBy: "plate"},
	&events.WorkEnded{Outcome: "machine-off", Text: long("the long story")},
	&events.TaskDone{Task: "rinse-basket", Started: "2026-03-02T09:10:00+01:00", Ended: "2026-03-02T09:25:30.5+01:00"},
	&events.TimeSpent{What: "travel", Minutes: 42},
	&events.StaffSignedOn{How: "pin"},
	&events.StaffSignedOff{How: "none"},

	// Measuring and looking.
	&events.ReadingTaken{Quantity: "strength", Value: ptr(4.2), Unit: "%", U: ptr(0.15), Limit: "above", Method: "refractometer", Moment: "arrival", Of: "bath",
		Instrument: "R-3", Lot: "L9", Raw: ptr(3.0), Factor: ptr(1.4), State: &events.State{Pump: "off", Air: "off", Basket: "empty", DrainedMin: ptr(10.0)}},
	&events.LookNoted{What: "foam", Grade: ptr(int64(0)), Of: "vessel:p-31", Evidence: sum("foam picture")},
	&events.InstrumentChecked{Instrument: "M-1", Against: "buffer pH 7.00", Lot: "B77", Expires: "2027-01-31", Expected: ptr(7.0), Read: ptr(7.04), Unit: "[pH]",
		Temperature: ptr(21.0), Adjusted: ptr(true), Result: "pass", Next: "2026-06-01"},
	&events.CheckMade{Check: "leakage-trip", Result: "pass", Value: ptr(28.0), Unit: "ms", Instrument: "E-2", Why: plain("yearly")},
	&events.PowerIsolated{Point: "plug", Lock: "K-4", TestedDead: ptr(true)},
	&events.PowerRestored{Point: "plug", Lock: "K-4", TestedDead: ptr(false)},
	&events.MachineLeft{Power: "on", Heater: "off", Air: "open", Pump: "off", Lid: "closed", SetCel: ptr(40.0), LeakSeen: ptr(false)},
	&events.HistoryTold{Since: visitID(1), What: "water-added", Volume: ptr(20.0), Unit: "L", U: ptr(5.0), Product: "water", When: "2026-02-20", Source: "word", Role: "foreman"},

	// Fluid.
	&events.DoseAdded{Product: "PH-UP", To: "bath", Volume: ptr(250.0), Mass: ptr(0.28), Unit: "mL", U: ptr(5.0), Method: "mark", Instrument: "J-1", Aim: "ph", WaitedMin: ptr(15.0)},
	&events.FluidRemoved{From: "bath", To: "p-31", What: "sludge", Volume: 12, Unit: "L", U: ptr(0.25), Kg: ptr(13.1), Paper: "DP-5", Method: "mark", Instrument: "S-1"},
	&events.FluidReturned{From: "p-30", To: "bath", Volume: 60, Unit: "L", U: ptr(1.2), MeshUm: ptr(25.0), Method: "meter", Instrument: "FM-2"},
	&events.FluidAdded{From: "van", To: "bath", Product: "BF-A", Lot: "L9", Strength: ptr(5.0), Volume: 11.9, Unit: "[gal_us]", U: ptr(0.1), Method: "meter", Instrument: "FM-2"},
	&events.FluidSpilled{From: "p-31", Volume: 1.5, Unit: "L", U: ptr(0.5), Reached: "bund", RecoveredL: ptr(1.2), Method: "eye", Instrument: "J-1"},
	&events.BathRenewed{Tank: "bath", Product: "BF-A", Strength: ptr(5.0), Volume: ptr(200.0), Unit: "L", U: ptr(2.0), Why: plain("fifteen months old")},

	// Vessels.
	&events.VesselStarted{Vessel: "p-31", Form: "pail", CapacityL: ptr(20.0), TareKg: ptr(0.9), Origin: "north-yard", Use: "waste", UnMark: "1H2/Y25/S", Made: "2024"},
	&events.VesselRinsed{Vessel: "p-31", With: "water", Volume: ptr(2.0), Unit: "L", U: ptr(0.25)},
	&events.VesselMarked{Vessel: "p-31", Contents: "oily sludge", Use: "waste", Code: "12 03 01*", DecidedBy: "laboratory", Hazards: []string{"irritant", "harms water"}, Why: "changed"},
	&events.VesselMoved{Vessel: "p-31", From: "site-store", To: "van"},
	&events.VesselEmptied{Vessel: "p-31", To: "t-2", Volume: ptr(18.0), Unit: "L", U: ptr(0.5)},
	&events.VesselHanded{Vessel: "d-7", To: "treatment plant 4", Carrier: "carrier 9", Paper: "WP-2291", SealNo: "0815", Kg: ptr(212.4)},
	&events.PaperReturned{Paper: "WP-2291", From: "treatment plant 4", Evidence: sum("signed copy")},

	// Parts and stock.
	&events.PartSwapped{Position: "filter", Out: &events.PartOut{Part: "F-50", Serial: "S1", State: "worn"}, In: &events.PartIn{Part: "F-50", Serial: "S2", Lot: "L9"}, Why: "due"},
	&events.PartChecked{Position: "diffuser", State: "good", Text: plain("one hole blocked, cleared")},
	&events.ItemUsed{Item: "RAG", Quantity: 3, Lot: "R1", From: "van"},
	&events.StockMoved{Item: "F-50", Lot: "L9", Quantity: 4, From: "depot", To: "van-2"},
	&events.StockCounted{Place: "van-2", Item: "F-50", Lot: "L9", Quantity: 0},

	// Evidence, people, promises.
	&events.PhotoTaken{Evidence: sum("picture"), Preview: sum("small picture"), Size: ptr(int64(1834022)), View: "plate", Moment: "arrival", About: "position:filter", Source: "camera"},
	&events.NoteWritten{Text: plain("Gate code changes in May: ask the office")},
	&events.FaultFound{Fault: "pump-noise", Grade: ptr(int64(2)), Position: "pump", Text: plain("whines above 30 °C")},
	&events.FaultCleared{Fault: "pump-noise", Grade: ptr(int64(2)), Position: "pump", Text: plain("bearing swapped")},
	&events.AdviceGiven{Item: "lid", Why: plain("half of the loss is evaporation"), Answer: "later"},
	&events.ReturnPromised{Why: plain("strainer not aboard"), ByWhen: "2026-03-09", Parts: []events.Code{"ST-2", "GASKET"}},
	&events.RequestNoted{What: plain("service before eight"), Role: "foreman", PromisedBy: "2026-04-01"},
	&events.HarmNoted{What: "splash", FirstAid: ptr(true), Evidence: sum("account of it")},
	&events.SignatureCaptured{Evidence: sum("name and strokes"), Shown: sum("summary"), Role: "foreman", Reader: "self", Remark: plain("seen, not measured")},
	&events.ReportGiven{Report: sum("report"), How: "mail", Role: "workshop manager", Lang: "de-AT"},

	// Corrections.
	&events.RecordAmended{Target: target(9), Body: events.Raw{0x81, 0xa1, 'x', 0xc3}, Site: "north-yard", Machine: "nw-02", Visit: visitID(2), By: "T3",
		Done: "2026-03-02T09:05:00+01:00", Why: plain("misread the stick"), Over: []events.Hash{sum("first"), sum("second")}},
	&events.RecordWithdrawn{Target: target(10), Why: plain("wrong machine"), Over: []events.Hash{sum("first")}},

	// Trust and clocks.
	&events.ClockChecked{OffsetMs: ptr(int64(-1840)), RoundTripMs: ptr(int64(96))},
	&events.CheckpointSeen{Origin: "log.example/ullage", Size: 70000, Root: sum("root")},
	&events.DeviceEnrolled{Device: "tab-1-0a1b2c3d", Keys: []events.DeviceKey{{Use: "sealing", Key: rfc8032Key().Public().(ed25519.PublicKey)}, {Use: "connection", Key: bytes.Repeat([]byte{7}, 32)}},
		Parent: "tab-1", Firm: "subcontractor 3", Why: plain("forked, goes on under a new name")},
	&events.DeviceRenewed{Device: "tab-1", Keys: []events.DeviceKey{{Use: "connection", Key: bytes.Repeat([]byte{8}, 32)}}, Parent: "tab-0", Firm: "ours", Why: plain("yearly")},
	&events.DeviceRevoked{Device: "tab-1", Keys: []events.DeviceKey{{Use: "sealing", Key: bytes.Repeat([]byte{9}, 32)}}, Parent: "tab-0", Firm: "ours", Why: plain("lost on a train")},
	&events.BranchSettled{Device: "tab-1", Stands: events.Branch{Seq: 41, Link: sum("link 41")}, Why: plain("the other one is a restored image")},
	&events.RecordAdmitted{Target: events.Target{Device: "tab-2", Seq: 1 << 63, Hash: sum("held")}, Why: plain("the technician may say so")},
	&events.RangeLost{Device: "tab-1", From: 200, To: 255, By: "office-1"},
	&events.RangeHealed{Device: "tab-1", From: 200, To: 256, By: "office-1", Source: "device"},
	&events.EpochStarted{OldOrigin: "log.example/ullage", OldSize: 65536, OldRoot: sum("old root"), CommonSize: 65535},
	&events.DossierMade{Digest: sum("dossier"), For: sum("name of an inspector"), Evidence: []events.Digest{sum("picture"), sum("summary")}},
	&events.InterestGranted{Device: "tab-1", Sites: []events.SiteID{"north-yard", "lark_hill"}},
	&events.ErasureDone{Evidence: []events.Digest{sum("picture")}, Ground: plain("asked for by the person on it")},
	&events.HoldPlaced{Evidence: []events.Digest{sum("picture"), sum("summary")}, Why: plain("dispute 7")},
	&events.HoldLifted{Evidence: []events.Digest{sum("summary")}, Why: plain("dispute 7 is settled")},

	// The office's register and decisions.
	&events.CustomerEntered{Code: "C-4", Name: sum("name of a customer"), Lang: "en", Payer: "C-1"},
	&events.SiteEntered{Name: sum("name of a site"), Customer: "C-4", Zone: "Europe/Berlin", Hours: plain("Mon-Fri 7-16"), Access: sum("the way in"), Induction: long("induction"),
		Water: &events.Water{HardnessMmolL: ptr(2.8), ConductivityUsCm: ptr(540.0), Ph: ptr(7.6), PressureBar: ptr(3.5)}, Air: &events.Air{Psi: ptr(90.0), FlowCfm: ptr(12.0)},
		Sockets: []string{"230 V 16 A", "400 V 32 A"}, DrainPermit: "DP-5", GeneratorID: "G-100", Lang: "de", Refs: []events.Ref{{Name: "billing", Value: "8812"}}},
	&events.MachineEntered{Class: "sink", Serial: "A-17", Owner: "ours", Tanks: []events.Tank{
		{Tank: "bath", Shape: "rectangular", LengthMm: ptr(900.0), WidthMm: ptr(600.0), HeightMm: ptr(500.0)},
		{Tank: "sump", Shape: "cone-bottom", DiameterMm: ptr(400.0), BottomDiameterMm: ptr(0.0), ConeHeightMm: ptr(150.0), HeightMm: ptr(300.0)},
		{Tank: "trough", Shape: "frustum", TopDiameterMm: ptr(286.0), BottomDiameterMm: ptr(263.0), HeightMm: ptr(360.0)},
		{Tank: "odd", Shape: "strapped", Table: []events.Strap{{DepthMm: 0, L: 0}, {DepthMm: 50, L: 11.2}, {DepthMm: 100, L: 25.9}}}},
		WorkingL: ptr(200.0), LeastL: ptr(150.0), MarkL: ptr(190.0), Fluid: "BF-A", Positions: []events.Code{"filter", "diffuser", "strainer"}, OpenAreaM2: ptr(0.54), Lid: "hinged",
		OpenHWeek: ptr(20.0), SetCel: ptr(40.0), MakeUp: "hand", HourCounter: ptr(false), StandsInFor: "nw-00"},
	&events.MachineFound{Plate: "sink B-9", Evidence: sum("plate picture")},
	&events.MachineMoved{From: "north-yard", To: "lark_hill", Bath: "moved-with", Why: plain("workshop closes")},
	&events.MachineRetired{From: "north-yard", To: "scrap-1", Bath: "emptied", Why: plain("tank rusted through")},
	&events.ClassSpecified{Class: "sink", Tasks: []events.Task{{Task: "skim", Title: "Take off the oil", SoakMin: ptr(10.0), Needs: []string{"skimmer", "pail"}}, {Task: "swap-filter"}},
		WetL: ptr(1.5), Parts: []events.ClassPart{{Position: "filter", Part: "F-50"}, {Part: "GASKET"}}},
	&events.FluidSpecified{Fluid: "BF-A", Basis: "volume", Density: ptr(1.06), Factor: ptr(1.4), PhLow: ptr(8.5), PhTarget: ptr(9.2), StrengthLow: ptr(3.0), StrengthHigh: ptr(6.0),
		TemperatureLow: ptr(35.0), TemperatureHigh: ptr(45.0), Sds: &events.Sds{Evidence: sum("safety sheet"), Date: "2025-11-03", Lang: "en"}, Hazards: []string{"irritant"}, Un: "UN 1760",
		FirstAid: plain("Rinse eyes for 15 minutes"), NeverWith: []string{"acid", "bleach"}},
	&events.PartSpecified{Part: "F-50", Life: ptr(400.0), Unit: "h", HoldsL: ptr(0.8), Kit: &events.Kit{Rule: "due", Quantity: ptr(1.0)}},
	&events.ItemSpecified{Item: "RAG", Life: ptr(720.0), Unit: "1", HoldsL: ptr(0.2), MassKg: ptr(0.05), Kit: &events.Kit{Rule: "visit", Quantity: ptr(4.0)}},
	&events.InstrumentSpecified{Instrument: "M-1", Step: ptr(0.01), Unit: "[pH]", CheckEveryDays: ptr(int64(90))},
	&events.AgreementSet{Customer: "C-4", From: "2026-01-01", To: "2026-12-31", VisitsAYear: ptr(8.0), Includes: []string{"filters", "waste"},
		Prices: []events.Price{{Item: "BF-A", Minor: 1250, Currency: "EUR", Per: "L", Tax: ptr(19.0)}}, Travel: &events.Charge{Minor: 4500, Currency: "EUR", Per: "visit", Tax: ptr(19.0)},
		ReturnDays: ptr(int64(14))},
	&events.RoundAssigned{Device: "tab-1", Staff: "T2", Day: "2026-03-02", Sites: []events.SiteID{"north-yard", "lark_hill"}},
	&events.RoundChanged{Device: "tab-1", Staff: "T2", Day: "2026-03-02", Sites: []events.SiteID{"lark_hill"}, Why: "weather"},
	&events.BillSent{Visit: visitID(1), Lines: &events.BillLines{Digest: sum("lines"), Records: []events.Target{target(9), target(12)}}, Reference: "2026-0117", By: "office"},
	&events.DisputeOpened{Visit: visitID(1), Machine: "nw-01", Claim: sum("their letter")},
	&events.DisputeAnswered{Dispute: target(3), Visit: visitID(1), Machine: "nw-01", Dossier: sum("dossier")},
	&events.DisputeSettled{Dispute: target(3), Visit: visitID(1), Machine: "nw-01", Outcome: plain("two litres taken off the bill")},
}

// goldenRecord puts a body into an envelope that differs from kind to kind.
func goldenRecord(t *testing.T, i int, b events.Body) events.Record {
	t.Helper()
	body, err := events.EncodeBody(b)
	if err != nil {
		t.Fatal(err)
	}
	at := 1772438700000 + events.Millis(i)*60_000
	r := events.Record{
		ID: events.NewRecordID(at, [10]byte{byte(i), 0xff, 2, 0xff, 4, 5, 6, 7, 8, 9}), Device: "tab-1", Seq: events.Seq(i*i*i + 1), Clock: events.ClockOf(at, uint16(i)),
		Done: at - 45_250, Zone: 60, Kind: b.Kind(), V: events.Newest(b.Kind()), Body: body,
	}
	if s, _ := events.SchemaOf(r.Kind, r.V); s.Office {
		r.Device = "office-1"
	}
	if i%2 == 0 {
		r.Site, r.Machine, r.Visit, r.By = "north-yard", "nw-01", visitID(1), "T2"
	}
	if i%3 == 0 {
		r.Key, r.Zone = fmt.Sprintf("vän/%d", i), -210
	}
	return r
}

func goldenName(r *events.Record) string { return fmt.Sprintf("%s.v%d.golden", r.Kind, r.V) }

// golden is a golden file as it was read.
type golden struct {
	name   string
	header map[string]string
	bytes  []byte
}

// parseGolden reads "name: value" lines, a blank line, and hexadecimal digits.
func parseGolden(t testing.TB, text string) (map[string]string, []byte) {
	t.Helper()
	head, digits, ok := strings.Cut(text, "\n\n")
	if !ok {
		t.Fatal("no blank line")
	}
	header := map[string]string{}
	for line := range strings.Lines(head) {
		name, value, ok := strings.Cut(strings.TrimSuffix(line, "\n"), ":")
		if !ok {
			t.Fatalf("no name: value in %q", line)
		}
		header[name] = strings.TrimSpace(value)
	}
	b, err := hex.DecodeString(strings.Join(strings.Fields(digits), ""))
	if err != nil {
		t.Fatal(err)
	}
	return header, b
}

func hexLines(b []byte) string {
	var s strings.Builder
	for line := range slices.Chunk(b, 32) {
		fmt.Fprintf(&s, "%x\n", line)
	}
	return s.String()
}

// goldens reads every golden record. It fails where there is none.
func goldens(t testing.TB) []golden {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(goldenDir, "*.v*.golden"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no golden files in %s (%v)", goldenDir, err)
	}
	all := make([]golden, len(names))
	for i, name := range names {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		all[i].name = filepath.Base(name)
		all[i].header, all[i].bytes = parseGolden(t, string(text))
	}
	return all
}

// writeGolden writes a file that is missing, with -update, and otherwise compares.
func writeGolden(t *testing.T, name, text string) {
	t.Helper()
	name = filepath.Join(goldenDir, name)
	old, err := os.ReadFile(name)
	switch {
	case errors.Is(err, fs.ErrNotExist) && *update:
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	case err != nil:
		t.Errorf("%v (run the tests of this package with -update)", err)
	case string(old) != text:
		t.Errorf("%s no longer says what the code writes; got:\n%s\nwant:\n%s", name, text, old)
	}
}

func TestGoldenIsWritten(t *testing.T) {
	for i, b := range goldenBodies {
		if err := events.Check(b); err != nil {
			t.Errorf("%s: a golden body must make sense: %v", b.Kind(), err)
		}
		r := goldenRecord(t, i, b)
		record, err := events.EncodeRecord(&r)
		if err != nil {
			t.Fatal(err)
		}
		body, err := readValue(r.Body)
		if err != nil {
			t.Fatalf("%s: %v", r.Kind, err)
		}
		var s strings.Builder
		fmt.Fprintf(&s, "kind: %s\nv: %d\nhash: %s\nid: %s\ndevice: %s\nseq: %d\nclock: %d\ndone: %s\n", r.Kind, r.V, events.HashRecord(record), r.ID, r.Device, r.Seq, r.Clock, r.Done.Format(r.Zone))
		visit := ""
		if !r.Visit.IsZero() {
			visit = r.Visit.String()
		}
		fmt.Fprintf(&s, "site: %s\nmachine: %s\nvisit: %s\nby: %s\nkey: %s\nbody: %s\n\n%s", r.Site, r.Machine, visit, r.By, r.Key, show(body), hexLines(record))
		writeGolden(t, goldenName(&r), strings.ReplaceAll(s.String(), ": \n", ":\n"))
	}
}

// TestGoldenIsWhole holds that every kind and version has a golden file, and every golden file a kind.
func TestGoldenIsWhole(t *testing.T) {
	files := map[string]bool{}
	for _, g := range goldens(t) {
		files[g.name] = true
	}
	for _, s := range events.Schemas() {
		name := goldenName(&events.Record{Kind: s.Kind, V: s.V})
		if !files[name] {
			t.Errorf("%s is missing", name)
		}
		delete(files, name)
	}
	for name := range files {
		t.Errorf("%s is of no kind and version that the code knows; what was released once is read for ever", name)
	}
}

func TestGoldenReads(t *testing.T) {
	for _, g := range goldens(t) {
		t.Run(g.name, func(t *testing.T) {
			r, err := events.DecodeRecord(g.bytes)
			if err != nil {
				t.Fatal(err)
			}
			if got := goldenName(&r); got != g.name {
				t.Errorf("holds a record of %s", got)
			}
			if got := events.HashRecord(g.bytes).String(); got != g.header["hash"] {
				t.Errorf("hash: got %s, want %s", got, g.header["hash"])
			}
			if again := reencode(t, g.bytes); !bytes.Equal(again, g.bytes) {
				t.Errorf("encodes to\n%x, not to\n%x", again, g.bytes)
			}
		})
	}
}

// reencode decodes a record and its body, where the kind is known, and encodes both again. It returns nil where the
// bytes are no record. What it must never do is panic.
func reencode(t testing.TB, b []byte) []byte {
	t.Helper()
	r, err := events.DecodeRecord(b)
	if err != nil {
		if !errors.Is(err, events.ErrForm) && !errors.Is(err, events.ErrTooLarge) {
			t.Errorf("DecodeRecord: %v is neither ErrForm nor ErrTooLarge", err)
		}
		return nil
	}
	body, err := events.DecodeBody(r.Kind, r.V, r.Body)
	if s, known := events.SchemaOf(r.Kind, r.V); known {
		if form := s.CheckForm(r.Body); (form == nil) != (err == nil) {
			t.Errorf("CheckForm says %v, DecodeBody %v", form, err)
		}
	} else if !errors.Is(err, events.ErrUnknownKind) {
		t.Errorf("%s v%d: got %v, want ErrUnknownKind", r.Kind, r.V, err)
	}
	// Only the newest version of a kind is written.
	if err == nil && r.V == events.Newest(r.Kind) {
		_ = events.Check(body)
		again, err := events.EncodeBody(body)
		if err != nil {
			t.Errorf("%s: what decoded does not encode: %v", r.Kind, err)
		}
		if !bytes.Equal(again, r.Body) {
			t.Errorf("%s: body encodes to\n%x, not to\n%x", r.Kind, again, r.Body)
		}
	}
	again, err := events.EncodeRecord(&r)
	if err != nil {
		t.Errorf("what decoded does not encode: %v", err)
	}
	return again
}

// TestGoldenCut cuts every golden record, and its body, at every byte, and lets the body go on for one more.
func TestGoldenCut(t *testing.T) {
	for _, g := range goldens(t) {
		for n := range g.bytes {
			if _, err := events.DecodeRecord(g.bytes[:n]); !errors.Is(err, events.ErrForm) {
				t.Fatalf("%s cut after %d bytes: got %v, want ErrForm", g.name, n, err)
			}
		}
		r, err := events.DecodeRecord(g.bytes)
		if err != nil {
			t.Fatal(err)
		}
		s, _ := events.SchemaOf(r.Kind, r.V)
		bad := [][]byte{append(bytes.Clone(r.Body), 0xc2)}
		for n := range r.Body {
			bad = append(bad, r.Body[:n])
		}
		for _, b := range bad {
			if _, err := events.DecodeBody(r.Kind, r.V, b); !errors.Is(err, pack.ErrForm) {
				t.Fatalf("%s: a body of %d bytes in place of %d: got %v, want pack.ErrForm", g.name, len(b), len(r.Body), err)
			}
			if err := s.CheckForm(b); !errors.Is(err, pack.ErrForm) {
				t.Fatalf("%s: CheckForm of %d bytes in place of %d: got %v, want pack.ErrForm", g.name, len(b), len(r.Body), err)
			}
		}
	}
}

// TestGoldenFlipped turns every bit of every golden record, and every byte as a whole.
func TestGoldenFlipped(t *testing.T) {
	for _, g := range goldens(t) {
		b := bytes.Clone(g.bytes)
		for i := range b {
			for _, mask := range []byte{1, 2, 4, 8, 16, 32, 64, 128, 255} {
				b[i] ^= mask
				if again := reencode(t, b); again != nil && !bytes.Equal(again, b) {
					t.Errorf("%s with byte %d turned by %#x encodes to\n%x, not to\n%x", g.name, i, mask, again, b)
				}
				b[i] ^= mask
			}
		}
		if t.Failed() {
			return
		}
	}
}

// goldenChain is what the chain file holds: three records of one device, its links, and its seal.
func goldenChain(t *testing.T) string {
	t.Helper()
	key := rfc8032Key()
	public := key.Public().(ed25519.PublicKey)
	const device, seen = "tab-1", "log.example/ullage\n4\n037kGJdt2VdTwcc4Yrk5j6Kiz5tP8P3+izDNlSCWFLc=\n"
	head := events.Head{Device: device, Link: events.FirstLink(device, public)}
	var s, blocks strings.Builder
	fmt.Fprintf(&s, "device: %s\nkey: %x\nlink 0: %s\n", device, public, head.Link)
	for i, b := range []events.Body{
		&events.VisitOpened{Reason: "planned"},
		&events.ReadingTaken{Quantity: "volume", Value: ptr(180.0), Unit: "L", U: ptr(1.0), Method: "dip", Moment: "arrival"},
		&events.VisitClosed{Outcome: "complete"},
	} {
		r := goldenRecord(t, i, b)
		r.Seq, r.Site, r.By, r.Visit, r.Machine, r.Key, r.Zone = head.Seq+1, "north-yard", "T2", visitID(1), "", "", 60
		if i == 1 {
			r.Machine = "nw-01"
		}
		record, err := events.EncodeRecord(&r)
		if err != nil {
			t.Fatal(err)
		}
		head = events.Head{Device: device, Seq: r.Seq, Link: events.Link(head.Link, events.HashRecord(record)), Clock: r.Clock}
		fmt.Fprintf(&s, "hash %d: %s\nlink %d: %s\n", r.Seq, events.HashRecord(record), r.Seq, head.Link)
		fmt.Fprintf(&blocks, "\n%s", hexLines(record))
	}
	seal := events.SignSeal(key, device, head.Seq, head.Link, seen)
	fmt.Fprintf(&s, "sealed: %d\nseen: %q\nseal: %x\n", seal.Seq, seal.Seen, seal.Signature)
	return s.String() + blocks.String()
}

func TestGoldenChainIsWritten(t *testing.T) { writeGolden(t, "chain.golden", goldenChain(t)) }
