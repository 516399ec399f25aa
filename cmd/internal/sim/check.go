package sim

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"ullage/agent/journal"
	"ullage/events"
	"ullage/events/wire"
	"ullage/projections"
	"ullage/projections/audit"
	"ullage/projections/due"
	"ullage/projections/ledger"
	"ullage/projections/machine"
	"ullage/projections/waste"
	"ullage/syncd/store"
	"ullage/syncd/stream"
)

// found are the records that the centre misses and a device has.
func (w *world) found() (all []string) {
	missing := w.centre.missing()
	for _, device := range names(missing) {
		for _, r := range missing[device] {
			for seq := r.From; seq <= r.To; seq++ {
				if d := w.holder(record{device: device, seq: seq}); d != "" {
					all = append(all, fmt.Sprintf("record %d of %s, which %s has", seq, device, d))
				}
			}
		}
	}
	return all
}

// holder is a device of which a journal has a record, whatever its id where that is not given; empty where none has.
func (w *world) holder(of record) string {
	for _, d := range w.devices {
		var folders []string
		for _, name := range d.disk.Names() {
			if strings.HasSuffix(name, ".seg") {
				folders = append(folders, filepath.Dir(name))
			}
		}
		for _, folder := range slices.Compact(folders) {
			r, err := journal.OpenRead(journal.Config{Dir: folder, FS: d.disk})
			if err != nil {
				continue
			}
			has := false
			if r.Head().Device == of.device {
				raw, err := r.Record(of.seq)
				if err == nil {
					found, err := events.DecodeRecord(raw)
					has = err == nil && (of.id == events.RecordID{} || of.id == found.ID)
				}
			}
			r.Close()
			if has {
				return d.name
			}
		}
	}
	return ""
}

// check looks whether the promises were kept.
func (w *world) check() {
	if w.broken != nil {
		return
	}
	c := w.centre
	received, elsewhere := map[record]bool{}, map[record]bool{}
	c.records.records(func(r record) { received[r] = true })
	c.aside.records(func(r record) { elsewhere[r] = true })
	missing := c.missing()
	named := func(r record) bool {
		return slices.ContainsFunc(missing[r.device], func(m wire.Range) bool { return m.From <= r.seq && r.seq <= m.To })
	}

	// Nothing acknowledged is lost, or it is named, and nobody has it.
	for _, r := range sorted(c.acked) {
		switch {
		case received[r]:
		case !named(r) && w.holder(r) == "" && (c.alarms[NewEpoch] || c.alarms[Conflict]):
			w.unknown++ // the log that knew of it went with it, and what devices have checked tells that there was more
		case !named(r):
			w.fail("record %d of %s was acknowledged, and is neither there nor named as lost", r.seq, r.device)
		case w.holder(r) != "":
			w.fail("record %d of %s is named as lost, and %s has it", r.seq, r.device, w.holder(r))
		default:
			w.named++
		}
	}
	// Nothing that a device kept is lost, unless its disk has lied.
	for _, d := range w.devices {
		for _, r := range sorted(d.kept) {
			switch {
			case received[r], elsewhere[r], c.acked[r], named(r), w.holder(r) != "": // what was acknowledged was looked at above
			case d.lied:
				w.gone++
			default:
				w.fail("record %d of %s was kept on %s, and is nowhere", r.seq, r.device, d.name)
			}
		}
	}
	for _, s := range []*memory{c.records, c.aside} {
		for _, m := range s.kept {
			w.told.Write(m.Data)
		}
	}
	w.checkModel(received)
	w.checkLog(received)
	w.checkChains()
	w.checkAlarms(received, elsewhere)
}

// sorted are records in an order of their own.
func sorted(all map[record]bool) []record {
	return slices.SortedFunc(maps.Keys(all), func(a, b record) int {
		if a.device != b.device {
			return strings.Compare(string(a.device), string(b.device))
		}
		if a.seq != b.seq {
			return int(a.seq) - int(b.seq)
		}
		return strings.Compare(a.id.String(), b.id.String())
	})
}

// checkModel holds the read model to the stream: each record once, and the same answers whatever came first.
func (w *world) checkModel(received map[record]bool) {
	ctx := context.Background()
	if err := w.centre.catchUp(); err != nil {
		w.fail("the read model: %w", err)
		return
	}
	times := map[record]int{}
	err := w.centre.store.Each(ctx, func(a *projections.Arrival) error {
		times[record{a.Record.Device, a.Record.Seq, a.Record.ID}]++
		return nil
	})
	if err != nil {
		w.fail("the read model: %w", err)
	}
	for _, r := range sorted(received) {
		if times[r] != 1 {
			w.fail("record %d of %s stands %d times in the read model", r.seq, r.device, times[r])
		}
	}
	want := w.answers(w.centre.store)
	w.tell("answers: %x", sha256.Sum256([]byte(want)))
	anew := func(name string, s *memory) {
		other, err := store.Open(store.Config{Dir: w.model(name), Office: w.centre.isOffice, Log: w.centre.log})
		if err != nil {
			w.fail("%s: %w", name, err)
			return
		}
		defer other.Close()
		if err := other.Rebuild(ctx, s, nil); err != nil {
			w.fail("%s: %w", name, err)
			return
		}
		if got := w.answers(other); got != want {
			w.fail("%s gives other answers: %s", name, firstDifference(got, want))
		}
	}
	anew("a read model built anew", w.centre.records)
	shuffled := w.centre.records.copied()
	shuffled.kept = slices.DeleteFunc(shuffled.kept, func(m stream.Message) bool { return m.Seq == 0 })
	w.rng.Shuffle(len(shuffled.kept), func(i, j int) { shuffled.kept[i], shuffled.kept[j] = shuffled.kept[j], shuffled.kept[i] })
	for i := range shuffled.kept {
		shuffled.kept[i].Seq = uint64(i) + 1
	}
	shuffled.count()
	anew("a read model from another order of arrival", shuffled)
}

// answers are what the projections say of every machine.
func (w *world) answers(s *store.Store) string {
	var out strings.Builder
	put := func(what string, x any) {
		b, err := json.Marshal(x)
		if err != nil {
			w.fail("%s: %w", what, err)
		}
		fmt.Fprintf(&out, "%s: %s\n", what, b)
	}
	ctx := context.Background()
	ids, err := s.Machines(ctx)
	if err != nil {
		w.fail("the read model: %w", err)
	}
	for _, id := range ids {
		in, err := s.Machine(ctx, id, projections.Now)
		if err != nil {
			w.fail("the read model: %w", err)
			continue
		}
		put("machine "+string(id), machine.Fold(in))
		put("ledger "+string(id), ledger.Fold(in))
		put("due "+string(id), due.Fold(in, in.Register, time.LoadLocation))
		for _, q := range []audit.Query{{Machine: id}} {
			h, reg, err := s.Audit(ctx, q, projections.Now)
			if err != nil {
				w.fail("the read model: %w", err)
				continue
			}
			put("audit "+string(id), audit.Rows(h, q, reg, nil, func(r *events.Record) json.RawMessage { return json.RawMessage(fmt.Sprintf(`"%x"`, r.Body)) }))
		}
	}
	h, err := s.Vessels(ctx, projections.Now)
	if err != nil {
		w.fail("the read model: %w", err)
	}
	reg, err := s.Register(ctx, projections.Now)
	if err != nil {
		w.fail("the read model: %w", err)
	}
	put("waste", waste.Fold(h, reg, time.LoadLocation))
	return out.String()
}

func firstDifference(got, want string) string {
	a, b := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			at := 0
			for at < min(len(a[i]), len(b[i])) && a[i][at] == b[i][at] {
				at++
			}
			from := max(0, at-100)
			return fmt.Sprintf("line %d: …%.300s, and not …%.300s", i+1, a[i][from:], b[i][from:])
		}
	}
	return fmt.Sprintf("%d lines, not %d", len(a), len(b))
}

// checkLog looks for every record's leaf.
func (w *world) checkLog(received map[record]bool) {
	if w.centre.alarms[Rewrote] { // it has stopped, until people have chosen
		return
	}
	logged := w.centre.public.Logged()
	for _, r := range sorted(received) {
		if !slices.ContainsFunc(logged[r.device], func(l wire.Range) bool { return l.From <= r.seq && r.seq <= l.To }) {
			w.fail("record %d of %s has no leaf in the public log", r.seq, r.device)
		}
	}
}

// checkChains compares the end of each device's chain with the centre's.
func (w *world) checkChains() {
	for _, d := range w.devices {
		id := d.dev.ID()
		known, ok := w.centre.find(id)
		if !ok || known.Frozen || d.stuck {
			continue
		}
		s, err := d.dev.Status()
		if err != nil {
			w.fail("%s: %w", d.name, err)
			continue
		}
		link, key, err := w.centre.store.ChainAt(context.Background(), id, s.Head.Seq)
		if err != nil || s.Head.Seq > 0 && (key == nil || link.String() != s.Head.Link) {
			w.fail("the chain of %s ends otherwise at the centre than on the device (%v)", id, err)
		}
	}
}

// parted tells whether the centre has two records under one name and number.
func parted(all ...map[record]bool) bool {
	type place struct {
		device events.DeviceID
		seq    events.Seq
	}
	is := map[place]events.RecordID{}
	for _, some := range all {
		for r := range some {
			at := place{r.device, r.seq}
			if id, ok := is[at]; ok && id != r.id {
				return true
			}
			is[at] = r.id
		}
	}
	return false
}

// checkAlarms: they were raised where they must be, and not elsewhere.
func (w *world) checkAlarms(received, elsewhere map[record]bool) {
	was := func(fs ...Fault) bool {
		return slices.ContainsFunc(fs, func(f Fault) bool { return w.tally[f] != nil && w.tally[f].Injected > 0 })
	}
	harmed := was(BlockLost, TailLost, StreamsLost, BackupBack, BothLost, AllButLog)
	for _, a := range []struct {
		alarm     Alarm
		may, must bool
	}{
		{Missing, harmed, w.robbed},
		{Forked, was(Cloned, Restored, Lying) || was(BackupBack, StreamsLost, TailLost, AllButLog), parted(received, elsewhere)},
		{Conflict, was(BackupBack, StreamsLost, AllButLog, LogLost, FileLost), false},
		{LogHurt, was(LogLost, FileLost, StreamsLost, AllButLog, BackupBack), false},
		{Rewrote, was(BackupBack, StreamsLost, AllButLog, LogLost, FileLost), false},
		{NewEpoch, was(StreamsLost, AllButLog, BackupBack, LogLost, FileLost), false},
	} {
		switch raised := w.centre.alarms[a.alarm]; {
		case raised && !a.may:
			w.fail("alarm: %s, and nothing has happened that would be one", a.alarm)
		case !raised && a.must:
			w.fail("no alarm: %s", a.alarm)
		}
	}
	if n := len(w.centre.missing()); n > 0 && !w.centre.alarms[Missing] {
		w.fail("records of %d devices are missing, and there was no alarm", n)
	}
}
