package dossier_test

// A second verifier, written from README.txt. It imports nothing of this project but the test's hook, and shares no code
// with the first beyond SHA-256, Ed25519 and the standard library's readers of ZIP, JSON and base64.

import (
	"archive/zip"
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ullage/events/dossier"
)

func init() { dossier.Second = second }

// no ends the verification: every step is one condition.
type no struct{ why string }

func need(ok bool, format string, a ...any) {
	if !ok {
		panic(no{fmt.Sprintf(format, a...)})
	}
}

func second(file []byte) (err error) {
	defer func() {
		switch r := recover().(type) {
		case nil:
		case no:
			err = errors.New(r.why)
		default:
			panic(r)
		}
	}()
	s := &reading{members: map[string][]byte{}}
	s.archive(file)
	s.manifest()
	s.records()
	s.chains()
	s.log()
	s.keysGood()
	s.receipts()
	s.evidence()
	return nil
}

type record struct {
	name, part           string
	device               string
	number               uint64
	raw                  []byte
	hash                 string // raw bytes, as all hashes here
	done                 int64
	site, machine, visit string
	kind                 string
	body                 map[string]any
	sealedBy             ed25519.PublicKey
	index                uint64
	stretch, begin       int // which stretch it is in, and the number before that
}

type reading struct {
	members map[string][]byte
	names   []string
	logName string
	logKey  ed25519.PublicKey
	gates   map[string]ed25519.PublicKey
	offices map[string]ed25519.PublicKey
	all     []*record
	by      map[string]*record
	links   map[string]string // DEVICE/NUMBER
	seen    map[string]int64  // received, by record
	used    map[string]bool
}

func sha(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		io.WriteString(h, p)
	}
	return string(h.Sum(nil))
}

func (s *reading) archive(file []byte) {
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	need(err == nil, "no archive: %v", err)
	for _, f := range z.File {
		need(f.Method == 0 && f.Flags == 0 && len(f.Extra) == 0 && f.Comment == "", "%s: not as a dossier packs it", f.Name)
		need(len(s.names) == 0 || s.names[len(s.names)-1] < f.Name, "%s is out of order", f.Name)
		r, err := f.Open()
		need(err == nil, "%s: %v", f.Name, err)
		b, err := io.ReadAll(r)
		need(err == nil, "%s: %v", f.Name, err)
		s.names, s.members[f.Name] = append(s.names, f.Name), b
	}
}

func (s *reading) json(name string) map[string]any {
	v, ok := s.any(name).(map[string]any)
	need(ok, "%s is no object", name)
	return v
}

func (s *reading) any(name string) (v any) {
	b, ok := s.members[name]
	need(ok, "%s is missing", name)
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	need(d.Decode(&v) == nil, "%s is no JSON", name)
	return v
}

func str(v any) string {
	t, ok := v.(string)
	need(ok, "a text is missing")
	return t
}

func list(v any) []any {
	t, ok := v.([]any)
	need(ok, "a list is missing")
	return t
}

func obj(v any) map[string]any {
	t, ok := v.(map[string]any)
	need(ok, "an object is missing")
	return t
}

func num(v any) uint64 {
	n, err := strconv.ParseUint(fmt.Sprint(v), 10, 64)
	need(err == nil, "%v is no number", v)
	return n
}

func unhex(v any) string {
	b, err := hex.DecodeString(str(v))
	need(err == nil, "%v is not hexadecimal", v)
	return string(b)
}

func key(v any) ed25519.PublicKey {
	k := unhex(v)
	need(len(k) == 32, "a key has 32 bytes")
	return ed25519.PublicKey(k)
}

// note opens a signed note with one signature, and returns its text.
func note(b []byte, name string, key ed25519.PublicKey) string {
	at := strings.LastIndex(string(b), "\n\n")
	need(at >= 0, "no note")
	text, sig := string(b[:at+1]), string(b[at+2:])
	sig, ok := strings.CutPrefix(sig, "— "+name+" ")
	need(ok && strings.HasSuffix(sig, "\n"), "no signature by %s", name)
	raw, err := base64.StdEncoding.Strict().DecodeString(strings.TrimSuffix(sig, "\n"))
	need(err == nil && len(raw) == 68, "no signature of 68 bytes")
	need(string(raw[:4]) == sha(name, "\n\x01", string(key))[:4], "another key id")
	need(ed25519.Verify(key, []byte(text), raw[4:]), "the signature of %s does not hold", name)
	return text
}

func (s *reading) manifest() {
	keys := s.json("keys.json")
	parts := strings.SplitN(str(keys["log"]), "+", 3)
	need(len(parts) == 3, "no key of a log")
	raw, err := base64.StdEncoding.Strict().DecodeString(parts[2])
	need(err == nil && len(raw) == 33 && raw[0] == 1, "no key of a log")
	s.logName, s.logKey = parts[0], raw[1:]
	need(hex.EncodeToString([]byte(sha(s.logName, "\n\x01", string(s.logKey))[:4])) == parts[1], "another key id")
	s.gates, s.offices = map[string]ed25519.PublicKey{}, map[string]ed25519.PublicKey{}
	for _, v := range list(keys["gates"]) {
		s.gates[str(obj(v)["device"])] = key(obj(v)["key"])
	}
	for _, v := range list(keys["offices"]) {
		s.offices[str(obj(v)["device"])] = key(obj(v)["key"])
	}
	name := "ullage.dossier/" + hex.EncodeToString([]byte(sha(string(s.logKey))[:8]))
	text := name + "\nformat 1\n"
	for _, n := range s.names {
		if n != "manifest.txt" {
			text += fmt.Sprintf("%x %d %s\n", sha(string(s.members[n])), len(s.members[n]), n)
		}
	}
	need(note(s.members["manifest.txt"], name, s.logKey) == text, "the manifest lists something else")
	s.used = map[string]bool{}
	for _, n := range []string{"README.txt", "about.json", "contents.json", "evidence.json", "keys.json", "log.json", "manifest.txt", "receipts.json"} {
		_, ok := s.members[n]
		need(ok, "%s is missing", n)
		s.used[n] = true
	}
}

// A reader of the MessagePack that records have. Lists become []any, maps map[string]any, str and bin string.
func unpack(b []byte) (v any, rest []byte) {
	need(len(b) > 0, "the bytes end")
	c, b := b[0], b[1:]
	take := func(n uint64) string {
		need(n <= uint64(len(b)), "the bytes end")
		p := string(b[:n])
		b = b[n:]
		return p
	}
	be := func(n uint64) (u uint64) {
		for _, x := range []byte(take(n)) {
			u = u<<8 | uint64(x)
		}
		return u
	}
	many := func(n uint64) []any {
		l := []any{}
		for ; n > 0; n-- {
			var x any
			x, b = unpack(b)
			l = append(l, x)
		}
		return l
	}
	pairs := func(n uint64) map[string]any {
		m := map[string]any{}
		last := ""
		for i := uint64(0); i < n; i++ {
			var k any
			k, b = unpack(b)
			need(i == 0 || str(k) > last, "keys do not ascend")
			last = str(k)
			m[last], b = unpack(b)
		}
		return m
	}
	switch {
	case c < 0x80:
		v = uint64(c)
	case c < 0x90:
		v = pairs(uint64(c & 15))
	case c < 0xa0:
		v = many(uint64(c & 15))
	case c < 0xc0:
		v = take(uint64(c & 31))
	case c == 0xc2 || c == 0xc3:
		v = c == 0xc3
	case c >= 0xc4 && c <= 0xc6:
		v = take(be(1 << (c - 0xc4)))
	case c == 0xcb:
		v = math.Float64frombits(be(8))
	case c >= 0xcc && c <= 0xcf:
		v = be(1 << (c - 0xcc))
	case c >= 0xd0 && c <= 0xd3:
		shift := 64 - 8<<(c-0xd0)
		v = int64(be(1<<(c-0xd0))<<shift) >> shift
	case c >= 0xd9 && c <= 0xdb:
		v = take(be(1 << (c - 0xd9)))
	case c == 0xdc || c == 0xdd:
		v = many(be(2 << (c - 0xdc)))
	case c == 0xde || c == 0xdf:
		v = pairs(be(2 << (c - 0xde)))
	case c >= 0xe0:
		v = int64(int8(c))
	default:
		need(false, "the byte %02x", c)
	}
	return v, b
}

func whole(v any) int64 {
	switch v := v.(type) {
	case uint64:
		return int64(v)
	case int64:
		return v
	}
	need(false, "%v is no whole number", v)
	return 0
}

func (s *reading) records() {
	about := s.json("about.json")
	need(num(about["format"]) == 1, "another format")
	s.by = map[string]*record{}
	for _, v := range list(about["records"]) {
		x := &record{name: str(obj(v)["record"]), part: str(obj(v)["part"])}
		file := "records/" + x.name + ".record"
		x.raw = s.members[file]
		need(x.raw != nil && s.by[x.name] == nil, "record %s is missing, or twice", x.name)
		s.used[file] = true
		x.hash = sha("\x00", string(x.raw))
		v, rest := unpack(x.raw)
		f := list(v)
		need(len(f) == 14 && len(rest) == 0, "record %s has another form", x.name)
		x.device, x.number, x.done = str(f[1]), uint64(whole(f[2])), whole(f[4])
		x.site, x.machine, x.visit, x.kind = str(f[6]), str(f[7]), str(f[8]), str(f[11])
		body, rest := unpack([]byte(str(f[13])))
		need(len(rest) == 0, "record %s has another body", x.name)
		x.body = obj(body)
		need(x.name == fmt.Sprintf("%s/%d", x.device, x.number), "record %s is %s/%d", x.name, x.device, x.number)
		s.by[x.name], s.all = x, append(s.all, x)
	}
	s.scope(about)
}

func (x *record) target() string {
	switch x.kind {
	case "record.amended", "record.withdrawn", "record.admitted":
		t := obj(x.body["target"])
		return fmt.Sprintf("%s/%d", str(t["device"]), whole(t["seq"]))
	}
	return ""
}

// scope holds each record to its part.
func (s *reading) scope(about map[string]any) {
	ours, devices, visits := map[string]bool{}, map[string]bool{}, map[string]bool{}
	from, to := int64(math.MinInt64), int64(math.MaxInt64)
	machine, _ := about["machine"].(string)
	visit := ""
	if v, ok := about["visit"]; ok {
		visit = unhex(strings.ReplaceAll(str(v), "-", ""))
	} else {
		for name, at := range map[string]*int64{"from": &from, "to": &to} {
			t, err := time.Parse(time.RFC3339Nano, str(about[name]))
			need(err == nil, "%s is no time", name)
			*at = t.UnixMilli()
		}
	}
	for _, x := range s.all {
		if x.part == "subject" || x.part == "related" {
			devices[x.device] = true
		}
		if x.part == "subject" && machine != "" && x.machine == machine && x.visit != "" {
			visits[x.visit] = true
		}
	}
	for o := range s.offices {
		devices[o] = true
	}
	for _, x := range s.all {
		if x.part == "subject" {
			if machine == "" {
				need(x.visit == visit, "%s is of another visit", x.name)
			} else {
				need(x.done >= from && x.done <= to && (x.machine == machine || x.machine == "" && visits[x.visit]), "%s is of something else", x.name)
			}
			ours[x.name] = true
		}
	}
	for grown := true; grown; {
		grown = false
		for _, x := range s.all {
			if t := x.target(); t != "" && s.by[t] != nil && ours[t] != ours[x.name] {
				ours[t], ours[x.name], grown = true, true, true
			}
		}
	}
	for _, x := range s.all {
		switch x.part {
		case "subject":
		case "related":
			need(ours[x.name], "%s is related to nothing", x.name)
		case "key":
			if x.kind == "record.admitted" {
				t := s.by[x.target()]
				_, office := s.offices[x.device]
				need(office && t != nil && t.kind == "device.renewed" && devices[t.device], "%s lets in no renewal", x.name)
				continue
			}
			need(slices.Contains([]string{"device.enrolled", "device.renewed", "device.revoked"}, x.kind) && devices[str(x.body["device"])], "%s gives no key", x.name)
			need(x.kind != "device.renewed" || x.device == str(x.body["device"]), "%s renews for another", x.name)
		case "seen":
			need(x.kind == "checkpoint.seen" && devices[x.device] && x.site+x.machine+x.visit == "" && str(x.body["origin"]) == s.logName, "%s tells of no checkpoint", x.name)
		case "erasure":
			need(x.kind == "erasure.done", "%s is no erasure", x.name)
		default:
			need(false, "%s has the part %s", x.name, x.part)
		}
	}
}

func labelled(label string, fields ...any) []byte {
	b := []byte(label)
	for _, f := range fields {
		var p []byte
		switch f := f.(type) {
		case string:
			p = []byte(f)
		case uint64:
			p = binary.BigEndian.AppendUint64(nil, f)
		}
		b = append(binary.BigEndian.AppendUint32(b, uint32(len(p))), p...)
	}
	return b
}

func sealing(body map[string]any) ed25519.PublicKey {
	for _, k := range list(body["keys"]) {
		if str(obj(k)["use"]) == "sealing" {
			return ed25519.PublicKey(str(obj(k)["key"]))
		}
	}
	return nil
}

func sealings(body map[string]any) (n int) {
	for _, k := range list(body["keys"]) {
		if str(obj(k)["use"]) == "sealing" {
			n++
		}
	}
	return n
}

// keyAt is the key by which a device seals at a number.
func (s *reading) keyAt(device string, number uint64) ed25519.PublicKey {
	k, office := s.offices[device]
	var after uint64
	for _, x := range s.all {
		if _, by := s.offices[x.device]; x.kind == "device.enrolled" && by && !office && str(x.body["device"]) == device {
			need(k == nil, "%s is let in twice", device)
			k = sealing(x.body)
		}
	}
	for _, x := range s.all {
		if x.kind == "device.renewed" && x.device == device && str(x.body["device"]) == device && x.number < number && x.number > after && sealings(x.body) == 1 {
			k, after = sealing(x.body), x.number
		}
	}
	need(len(k) == 32, "no record gives the key of %s", device)
	return k
}

func (s *reading) chains() {
	s.links = map[string]string{}
	devices := map[string]bool{}
	for _, x := range s.all {
		devices[x.device] = true
	}
	for device := range devices {
		file := "chains/" + device + ".json"
		s.used[file] = true
		c := s.json(file)
		need(str(c["device"]) == device, "%s is of another", file)
		var end uint64
		for i, v := range list(c["stretches"]) {
			at, link := num(obj(v)["before"]), unhex(obj(v)["link"])
			need(i == 0 || at >= end, "stretches overlap")
			need(at > 0 || link == sha(string(labelled("ullage.chain.1", device, string(s.keyAt(device, 1))))), "%s does not begin with its key", device)
			seals := list(obj(v)["seals"])
			shows := false
			begin := at
			for _, h := range list(obj(v)["hashes"]) {
				at++
				hash := unhex(h)
				if x := s.by[fmt.Sprintf("%s/%d", device, at)]; x != nil {
					need(x.hash == hash, "%s is not in the chain", x.name)
					x.sealedBy, x.stretch, x.begin, shows = s.keyAt(device, at), i+1, int(begin), true
				}
				link = sha("\x02", link, hash)
				s.links[fmt.Sprintf("%s/%d", device, at)] = link
				if len(seals) > 0 && num(obj(seals[0])["seq"]) == at {
					signed := labelled("ullage.seal.1", device, at, link, str(obj(seals[0])["seen"]))
					need(ed25519.Verify(s.keyAt(device, at), signed, []byte(unhex(obj(seals[0])["signature"]))), "the seal of %s at %d does not hold", device, at)
					seals = seals[1:]
					end = at
				}
			}
			need(len(seals) == 0 && end == at && shows, "a stretch of %s is not sealed, or shows nothing", device)
		}
	}
	for _, x := range s.all {
		need(x.stretch > 0, "%s is in no stretch", x.name)
	}
}

func node(l, r string) string { return sha("\x01", l, r) }

// inclusion is RFC 9162, section 2.1.3.2.
func inclusion(leaf string, index, size uint64, proof []string) string {
	need(index < size, "no such leaf")
	fn, sn, r := index, size-1, leaf
	for _, p := range proof {
		need(sn != 0, "the proof is too long")
		if fn&1 == 1 || fn == sn {
			r = node(p, r)
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			r = node(r, p)
		}
		fn, sn = fn>>1, sn>>1
	}
	need(sn == 0, "the proof is too short")
	return r
}

// consistency is RFC 9162, section 2.1.4.2.
func consistency(first, size uint64, old, now string, proof []string) {
	if first == size || first == 0 {
		need(len(proof) == 0 && (first == 0 && old == sha() || first == size && old == now), "another root")
		return
	}
	need(first < size, "the log has shrunk")
	if first&(first-1) == 0 {
		proof = append([]string{old}, proof...)
	}
	need(len(proof) > 0, "no proof")
	fn, sn := first-1, size-1
	for fn&1 == 1 {
		fn, sn = fn>>1, sn>>1
	}
	fr, sr := proof[0], proof[0]
	for _, c := range proof[1:] {
		need(sn != 0, "the proof is too long")
		if fn&1 == 1 || fn == sn {
			fr, sr = node(c, fr), node(c, sr)
			for fn&1 == 0 && fn != 0 {
				fn, sn = fn>>1, sn>>1
			}
		} else {
			sr = node(sr, c)
		}
		fn, sn = fn>>1, sn>>1
	}
	need(fr == old && sr == now && sn == 0, "the log does not go on from there")
}

func hashes(v any) (all []string) {
	for _, h := range list(v) {
		all = append(all, unhex(h))
		need(len(all[len(all)-1]) == 32, "no hash")
	}
	return all
}

func (s *reading) log() {
	log := s.json("log.json")
	lines := strings.Split(note([]byte(str(log["checkpoint"])), s.logName, s.logKey), "\n")
	need(len(lines) == 4 && lines[3] == "" && lines[0] == s.logName, "no checkpoint of this log")
	size := num(lines[1])
	raw, err := base64.StdEncoding.Strict().DecodeString(lines[2])
	need(err == nil && len(raw) == 32, "no root")
	root := string(raw)
	leaves := list(log["leaves"])
	need(len(leaves) == len(s.all), "not a leaf for each record")
	for i, v := range leaves {
		x := s.all[i]
		need(str(obj(v)["record"]) == x.name, "another leaf")
		x.index = num(obj(v)["index"])
		need(inclusion(x.hash, x.index, size, hashes(obj(v)["proof"])) == root, "%s is not in the log", x.name)
	}
	s.seen = map[string]int64{}
	for _, v := range list(log["seen"]) {
		x := s.by[str(obj(v)["record"])]
		need(x != nil && x.part == "seen", "no record tells of it")
		consistency(uint64(whole(x.body["size"])), size, str(x.body["root"]), root, hashes(obj(v)["extension"]))
		s.seen[x.name] = int64(num(obj(v)["received"]))
	}
	for _, x := range s.all {
		_, ok := s.seen[x.name]
		need(ok == (x.part == "seen"), "%s is not told", x.name)
	}
}

func (s *reading) keysGood() {
	admitted := map[string]bool{}
	for _, x := range s.all {
		if _, office := s.offices[x.device]; office && x.kind == "record.admitted" {
			admitted[x.target()] = true
		}
		if t := s.by[x.target()]; t != nil {
			need(t.hash == str(obj(x.body["target"])["hash"]), "%s is about other bytes", x.name)
		}
	}
	for _, r := range s.all {
		if _, office := s.offices[r.device]; !office || r.kind != "device.revoked" {
			continue
		}
		var named []any
		if r.body["keys"] != nil {
			named = list(r.body["keys"])
		}
		for _, x := range s.all {
			if x.device != str(r.body["device"]) || x.index <= r.index || admitted[x.name] {
				continue
			}
			ended := len(named) == 0
			for _, k := range named {
				ended = ended || str(obj(k)["key"]) == string(x.sealedBy)
			}
			need(!ended, "%s came after its key was revoked", x.name)
		}
	}
}

func (s *reading) receipts() {
	first := map[string]int64{}
	for _, v := range list(s.any("receipts.json")) {
		r := obj(v)
		device, from, last, link := str(r["device"]), num(r["first"]), num(r["last"]), unhex(r["link"])
		place := obj(r["place"])
		received := num(r["received"])
		signed := labelled("ullage.receipt.1", device, from, last, link, received, num(place["seq"]), unhex(place["hash"]), num(place["created"]), str(r["checkpoint"]))
		gate := s.gates[str(r["gate"])]
		need(gate != nil && ed25519.Verify(gate, signed, []byte(unhex(r["signature"]))), "a receipt of %s does not hold", device)
		need(s.links[fmt.Sprintf("%s/%d", device, last)] == link, "a receipt of %s is for another chain", device)
		shows := false
		for _, x := range s.all {
			if x.device == device && from <= x.number && x.number <= last {
				if at, ok := first[x.name]; !ok || int64(received) < at {
					first[x.name] = int64(received)
				}
				shows = true
			}
		}
		need(shows, "a receipt of %s for nothing", device)
	}
	for _, x := range s.all {
		at, ok := first[x.name]
		need(ok, "%s has no receipt", x.name)
		if x.part != "subject" && x.part != "related" {
			continue
		}
		var last *record
		for _, y := range s.all {
			if y.part == "seen" && y.device == x.device && y.begin == x.begin && y.number < x.number && (last == nil || y.number > last.number) {
				last = y
			}
		}
		need(last == nil || s.seen[last.name] <= at, "%s was received before it could be written", x.name)
	}
}

func (s *reading) evidence() {
	erasures := map[string]bool{}
	for _, v := range list(s.any("evidence.json")) {
		e := obj(v)
		digest := unhex(e["digest"])
		in := list(e["in"])
		need(len(in) > 0, "nobody names a piece")
		for _, n := range in {
			x := s.by[str(n)]
			need(x != nil && bytes.Contains(x.raw, []byte(digest)), "%v does not name a piece", n)
		}
		switch str(e["state"]) {
		case "here":
			file := "evidence/" + str(e["digest"]) + ".piece"
			piece, ok := s.members[file]
			s.used[file] = true
			need(ok && sha(unhex(e["salt"]), string(piece)) == digest, "%s is another piece", file)
		case "erased":
			x := s.by[str(e["erasure"])]
			need(x != nil && x.kind == "erasure.done", "no record of an erasure")
			_, office := s.offices[x.device]
			need(office && slices.Contains(list(x.body["evidence"]), any(digest)), "%s erases something else", x.name)
			erasures[x.name] = true
		case "digest-only", "not-yet-here":
		default:
			need(false, "a state that there is not")
		}
	}
	for _, x := range s.all {
		need(x.part != "erasure" || erasures[x.name], "%s erases nothing of this", x.name)
	}
	for _, n := range s.names {
		need(s.used[n], "%s is outside of what the file holds", n)
	}
}
