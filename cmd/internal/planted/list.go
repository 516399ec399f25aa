package planted

import "slices"

// Defects are the deliberate faults, from the device's disk to what the office reads.
var Defects = slices.Concat(ofJournal, ofRecords, ofSync, ofGate, ofForks, ofHealing, ofLog, ofModel, ofFolds)

func in(pkg, run string) []Check { return []Check{{pkg, run}} }

// The journal: what the device has said is kept.
var ofJournal = []Defect{
	{
		Name: "acknowledges-before-the-sync", What: "an append returns without a sync", Promise: 1,
		File: "agent/journal/commit.go",
		Old:  "if err := j.f.Sync(); err != nil {\n\t\treturn fmt.Errorf(\"sync: %w\", err)\n\t}\n\tj.end",
		New:  "j.end", Caught: in("agent/journal", "^(TestPowerCut|TestSharedSync)$"),
	}, {
		Name: "swallows-a-failed-sync", What: "a sync that fails is taken for one that went well", Promise: 1,
		File: "agent/journal/commit.go",
		Old:  "if err := j.f.Sync(); err != nil {\n\t\treturn fmt.Errorf(\"sync: %w\", err)\n\t}\n\tj.end",
		New:  "if err := j.f.Sync(); err != nil && false {\n\t\treturn fmt.Errorf(\"sync: %w\", err)\n\t}\n\tj.end", Caught: in("agent/journal", "^TestStopped$"),
	}, {
		Name: "tries-a-failed-sync-again", What: "a sync that fails is done once more, and then believed", Promise: 1,
		File: "agent/journal/commit.go",
		Old:  "if err := j.f.Sync(); err != nil {\n\t\treturn fmt.Errorf(\"sync: %w\", err)\n\t}\n\tj.end",
		New:  "if err := j.f.Sync(); err != nil && j.f.Sync() != nil {\n\t\treturn fmt.Errorf(\"sync: %w\", err)\n\t}\n\tj.end", Caught: in("agent/journal", "^(TestEveryCallFails|TestLyingSync|TestStopped)$"),
	}, {
		Name: "frames-without-a-sum", What: "a frame is read whatever its checksum says", Promise: 1,
		File: "agent/journal/frame.go",
		Old:  "n > len(b) || binary.LittleEndian.Uint32(b[4:]) != frameSum(mark, off, b[:4], b[8:n])",
		New:  "n > len(b)", Caught: in("agent/journal", "^TestFlipEveryByte$"),
	}, {
		Name: "sums-that-do-not-say-where", What: "a frame's checksum does not cover where it stands", Promise: 1,
		File: "agent/journal/frame.go",
		Old:  "binary.LittleEndian.PutUint64(at[8:], uint64(off))\n",
		New:  "", Caught: in("agent/journal", "^(TestSecondReader|TestTamper|TestLoseStretches)$"),
	}, {
		Name: "gives-a-number-twice", What: "the journal takes a record under any number", Promise: 2,
		File: "agent/journal/append.go",
		Old:  "case r.Seq != at.seq+1:",
		New:  "case r.Seq > at.seq+1:", Caught: in("agent/journal", "^TestAppendRefuses$"),
	}, {
		Name: "takes-records-of-others", What: "the journal takes a record of another device", Promise: 4,
		File: "agent/journal/append.go",
		Old:  "case r.Device != j.id.device:",
		New:  "case r.Device == \"\":", Caught: in("agent/journal", "^TestAppendRefuses$"),
	}, {
		Name: "keeps-what-was-given-up", What: "what waits behind a write that failed is written all the same", Promise: 1,
		File: "agent/journal/commit.go",
		Old:  "if w := j.waiting; w != nil { // it builds",
		New:  "if w := j.waiting; w != nil && w == b { // it builds", Caught: in("agent/journal", "^TestGivenUp$"),
	}, {
		Name: "leaves-half-a-write", What: "what a full disk let through is not taken back", Promise: 1,
		File: "agent/journal/commit.go",
		Old:  "if j.f.Truncate(j.end) != nil || j.f.Sync() != nil {",
		New:  "if j.f.Sync() != nil {", Caught: in("agent/journal", "^TestHalfAWriteIsTakenBack$"),
	}, {
		Name: "cuts-off-damage", What: "a damaged last segment is not set aside: the readable part is all that stays", Promise: 1,
		File: "agent/journal/open.go",
		Old:  "if sv.clean(true) {",
		New:  "if sv.clean(true) || sv.read > 0 {", Caught: in("agent/journal", "^(TestFlipEveryByte|TestTamper|TestLoseStretches)$"),
	}, {
		Name: "names-before-the-sync", What: "a mended segment gets its place before the damaged one is out of it", Promise: 1,
		File: "agent/journal/mend.go",
		Old:  "if err := m.rename(sv.file, mending); err != nil {\n\t\treturn fmt.Errorf(\"set %s aside: %w\", sv.file, err)\n\t}\n\tif err := m.syncDir(); err != nil {\n\t\treturn err\n\t}",
		New:  "if err := m.remove(sv.file); err != nil {\n\t\treturn fmt.Errorf(\"set %s aside: %w\", sv.file, err)\n\t}\n\tif err := m.syncDir(); err != nil {\n\t\treturn err\n\t}", Caught: in("agent/journal", "^(TestFlipEveryByte|TestCrashWhileMending)$"),
	},
}

// Records, their chain, and lines that become records.
var ofRecords = []Defect{
	{
		Name: "a-chain-without-a-past", What: "a link does not rest on the link before it", Promise: 4,
		File: "events/chain.go",
		Old:  "copy(b[1:], link[:])",
		New:  "_ = link", Caught: in("events", "^(TestLinksDiffer|TestIndependentReadsChain|TestGoldenChainIsWritten)$"),
	}, {
		Name: "seals-without-a-device", What: "a seal of one device holds for another", Promise: 4,
		File: "events/chain.go",
		Old:  "Label(labelSeal).Text(string(device))",
		New:  "Label(labelSeal).Text(\"\")", Caught: in("events", "^(TestSeal|TestIndependentReadsChain|TestBadVectors)$"),
	}, {
		Name: "seals-that-always-hold", What: "a seal's signature is not looked at", Promise: 4,
		File: "events/chain.go",
		Old:  "|| !ed25519.Verify(key, sealBytes(device, s.Seq, link, s.Seen), s.Signature)",
		New:  "", Caught: in("events", "^TestSeal$"),
	}, {
		Name: "encodes-a-record-again", What: "the journal's bytes are not those that were hashed: they are encoded anew", Promise: 2,
		File: "events/entry/commit.go",
		Old:  "c.batch.Records = append(c.batch.Records, raw)",
		New:  "r.Clock++\n\tif raw, err = events.EncodeRecord(r); err != nil {\n\t\treturn events.Hash{}, err\n\t}\n\tc.batch.Records = append(c.batch.Records, raw)", Caught: in("events/entry", "^TestSeals$"),
	}, {
		Name: "forgets-keys", What: "a line that is given again with its key is recorded again", Promise: 2,
		File: "events/entry/session.go",
		Old:  "if err != nil || done {\n\t\t\treturn err\n\t\t}\n\t}\n\tit :=",
		New:  "if err != nil {\n\t\t\treturn err\n\t\t}\n\t\t_ = done\n\t}\n\tit :=", Caught: in("events/entry", "^TestRepeatedKey$"),
	}, {
		Name: "a-clock-that-steps-back", What: "a clock that was put back is not told", Promise: 0,
		File: "events/entry/commit.go",
		Old:  "if stepped == 0 {",
		New:  "if stepped != 1 {", Caught: in("events/entry", "^TestClockPutBack$"),
	}, {
		Name: "bombs-are-expanded", What: "what a push expands to is not bounded", Promise: 5,
		File: "events/wire/squeeze.go",
		Old:  "if len(content) > most {",
		New:  "if len(content) > maxExpanded {", Caught: in("events/wire", "^(TestBombs|TestSqueeze|TestLimits|TestExpandReadsOthers)$"),
	}, {
		Name: "fewer-records-than-said", What: "a stored push may lack records of its range", Promise: 1,
		File: "events/wire/push.go",
		Old:  "if uint64(len(records)) != uint64(c.Range.To-c.Range.From)+1 {",
		New:  "if uint64(len(records)) > uint64(c.Range.To-c.Range.From)+1 {", Caught: in("events/wire", "^TestStoredRecords$"),
	}, {
		Name: "receipts-for-any-place", What: "a receipt's signature does not cover where the records stand", Promise: 1,
		File: "events/wire/push.go",
		Old:  "Uint(uint64(r.Received)).Uint(r.Place.Seq).Bytes(r.Place.Hash[:])",
		New:  "Uint(uint64(r.Received))", Caught: in("events/wire", "^(TestSignatures|TestIndependentReceipt|TestGolden)$"),
	},
}

// The device's side of syncing.
var ofSync = []Defect{
	{
		Name: "trusts-any-receipt", What: "a receipt's signature is not looked at", Promise: 1,
		File: "agent/uplink.go",
		Old:  "if err := r.Verify(key); err != nil {",
		New:  "if err := r.Verify(key); err != nil && len(key) == 0 {", Caught: in("agent", "^TestStops$"),
	}, {
		Name: "receipts-for-something-else", What: "a receipt counts whatever it is for", Promise: 1,
		File: "agent/uplink.go",
		Old:  "if r.Device != s.id.Device || r.Last != a.Seq || r.Link != a.Link {",
		New:  "if r.Device != s.id.Device {", Caught: in("agent", "^TestStops$"),
	}, {
		Name: "receives-without-a-receipt", What: "a receipt is not written down", Promise: 1,
		File: "agent/uplink.go",
		Old:  "return []journal.Frame{{Type: journal.Receipt, Payload: receipt}}, nil",
		New:  "return nil, nil", Caught: in("agent", "^TestRecordAndSync$"),
	}, {
		Name: "accepts-a-fork", What: "the device takes the centre's chain for its own where they differ", Promise: 4,
		File: "agent/session.go",
		Old:  "case own != link:",
		New:  "case own != link && seq == 0:", Caught: in("agent", "^(TestForkInHistory|TestStops)$"),
	}, {
		Name: "believes-what-comes-back", What: "what is fetched back is not held to the device's own seals", Promise: 4,
		File: "agent/mend.go",
		Old:  "if events.VerifySeal(key, s.id.Device, link, seals[0]) != nil {",
		New:  "if events.VerifySeal(key, s.id.Device, link, seals[0]) != nil && len(key) == 0 {", Caught: in("agent", "^TestBehindIsHeldToItsSeals$"),
	}, {
		Name: "takes-back-without-a-seal", What: "what is fetched back needs no seal over its last record", Promise: 4,
		File: "agent/mend.go",
		Old:  "if sealed != h.Seq {",
		New:  "if sealed != h.Seq && len(records) == 0 {", Caught: in("agent", "^TestBehindIsHeldToItsSeals$"),
	}, {
		Name: "keeps-half-an-answer", What: "what a pull brought counts before it is whole", Promise: 2,
		File: "agent/pulled.go",
		Old:  "unsettled = append(unsettled, func() { c.note(&r, where) })",
		New:  "c.note(&r, where)", Caught: in("agent", "^TestCopiesSurviveACutAnywhere$"),
	}, {
		Name: "a-guard-that-sleeps", What: "the device takes any newer checkpoint for one that goes on from its own", Promise: 0,
		File: "agent/guard.go",
		Old:  "goesOn, anew := checkpoint.Extends(had, got, h.Proof), got.Origin != had.Origin",
		New:  "goesOn, anew := error(nil), got.Origin != had.Origin", Caught: in("agent", "^(TestChangedPast|TestNewEpoch)$"),
	}, {
		Name: "erases-once-only", What: "evidence that comes back with a backup is not erased again", Promise: 6,
		File: "agent/device.go",
		Old:  "\td.eraseAgain()\n",
		New:  "", Caught: in("agent", "^TestErasureAfterRestore$"),
	},
}

// The gate.
var ofGate = []Defect{
	{
		Name: "takes-whichever-branch", What: "the gate does not compare the link before a push", Promise: 4,
		File: "syncd/gate/commit.go",
		Old:  "case q.Link != c.link:",
		New:  "case q.Link != c.link && q.First == 0:", Caught: in("syncd/gate", "^(TestRefused|TestPushIsStored|TestHello|TestTwoGatesOnePush)$"),
	}, {
		Name: "takes-a-gap", What: "the gate takes records behind a gap", Promise: 5,
		File: "syncd/gate/commit.go",
		Old:  "\tcase q.First != c.seq+1:",
		New:  "\tcase q.First <= c.seq:", Caught: in("syncd/gate", "^(TestRefused|TestPushIsStored|TestStaleMemory)$"),
	}, {
		Name: "takes-an-unsealed-push", What: "the gate does not look at seals", Promise: 5,
		File: "syncd/gate/commit.go",
		Old:  "if err := events.VerifySeal(key, device, link, seals[0]); err != nil {",
		New:  "if err := events.VerifySeal(key, device, link, seals[0]); err != nil && len(key) == 0 {", Caught: in("syncd/gate", "^TestRefused$"),
	}, {
		Name: "takes-a-numbered-elsewhere", What: "the gate takes a record that carries another number than its place", Promise: 5,
		File: "syncd/gate/commit.go",
		Old:  "if r.Seq != seq {",
		New:  "if r.Seq < seq {", Caught: in("syncd/gate", "^TestRefused$"),
	}, {
		Name: "unknown-is-failed", What: "where the stream says nothing in time, the gate takes the push for not stored", Promise: 2,
		File: "syncd/gate/commit.go",
		Old:  "case c.nonce == commit.Nonce: // ours",
		New:  "case false:", Caught: in("syncd/gate", "^(TestUnknownOutcome|TestLatePush|TestLatePushIsStored)$"),
	}, {
		Name: "unknown-is-done", What: "where the stream says nothing in time, the gate takes the push for stored", Promise: 1,
		File: "syncd/gate/commit.go",
		Old:  "case c.nonce == commit.Nonce: // ours",
		New:  "default:", Caught: in("syncd/gate", "^(TestUnknownOutcome|TestLatePush|TestTwoGatesOnePush)$"),
	}, {
		Name: "remembers-instead-of-asking", What: "a device that is behind is judged by the gate's memory", Promise: 4,
		File: "syncd/gate/gate.go",
		Old:  "c, err := g.reread(ctx, device, known)\n\tif err != nil {\n\t\treturn wire.Answer{}, err\n\t}\n\tif err := q.Verify",
		New:  "c, err := g.cursor(ctx, device, known)\n\tif err != nil {\n\t\treturn wire.Answer{}, err\n\t}\n\tif err := q.Verify", Caught: in("syncd/gate", "^(TestStaleMemory|TestHello|TestTwoGatesOnePush)$"),
	}, {
		Name: "answers-anywhere", What: "the gate answers to whatever reply subject a device names", Promise: 0,
		File: "syncd/gate/gate.go",
		Old:  "if err != nil || !wire.OwnInbox(device, m.Reply) {",
		New:  "if err != nil {", Caught: in("syncd/gate", "^TestForeignReply$"),
	}, {
		Name: "lets-odd-records-in", What: "a record that has not the form of its kind is not held", Promise: 5,
		File: "syncd/gate/commit.go",
		Old:  "if err := s.CheckForm(r.Body); err != nil {",
		New:  "if err := s.CheckForm(r.Body); err != nil && office {", Caught: in("syncd/gate", "^(TestHeld|TestAllHeld)$"),
	}, {
		Name: "lets-devices-play-office", What: "a device's record of the office's kinds is not held", Promise: 5,
		File: "syncd/gate/commit.go",
		Old:  "if s.Office {",
		New:  "if s.Office && office {", Caught: in("syncd/gate", "^TestHeld$"),
	}, {
		Name: "lets-devices-correct-others", What: "a device's correction of another's record is not held", Promise: 5,
		File: "syncd/gate/commit.go",
		Old:  "if ok && target.Device != r.Device {",
		New:  "if ok && target.Device == \"\" {", Caught: in("syncd/gate", "^TestHeld$"),
	}, {
		Name: "a-device-takes-the-gate", What: "one device may have any number of pushes looked at", Promise: 7,
		File: "syncd/gate/slots.go",
		Old:  "if _, again := s.in[d]; again {",
		New:  "if _, again := s.in[d]; again && s.most == 0 {", Caught: in("syncd/gate", "^(TestDeviceStaysInItsRoom|TestAdmission|TestFlood|TestOneMakesNobodyWait)$"),
	},
}

// Forks.
var ofForks = []Defect{
	{
		Name: "thaws", What: "what a frozen device pushes is taken", Promise: 4,
		File: "syncd/gate/gate.go",
		Old:  "case verb == wire.Push && known.Frozen:",
		New:  "case verb == wire.Push && known.Frozen && device == \"\":", Caught: in("syncd/gate", "^TestFork"),
	}, {
		Name: "parts-from-nothing", What: "a branch does not say from which one it parts", Promise: 4,
		File: "syncd/gate/fork.go",
		Old:  "other, there = main, true",
		New:  "_ = main", Caught: in("syncd/gate", "^TestFork$"),
	}, {
		Name: "stores-any-number-of-branches", What: "a device may part from itself for ever", Promise: 4,
		File: "syncd/gate/fork.go",
		Old:  "|| !n && len(t.partings) == mostPartings {",
		New:  "|| !n && false {", Caught: in("syncd/gate", "^TestBranchesAreBounded$"),
	}, {
		Name: "lets-the-first-one-count", What: "until a fork is settled, the branch that came first counts", Promise: 4,
		File: "projections/branch.go",
		Old:  "case p.stands.IsZero():",
		New:  "case p.stands.IsZero() && link == p.first:\n\t\t\tcase p.stands.IsZero():", Caught: []Check{{"projections", "^TestBranches$"}, {"cmd/internal/desk", "^TestSettledBranches$"}},
	}, {
		Name: "settles-for-good", What: "what settles a fork counts after it was withdrawn", Promise: 4,
		File: "projections/branch.go",
		Old:  "r.held[s.fact] || r.isGone(s.fact) {\n\t\t\tcontinue",
		New:  "r.held[s.fact] {\n\t\t\tcontinue", Caught: []Check{{"projections", "^TestBranches$"}, {"cmd/internal/desk", "^TestSettledBranches$"}},
	}, {
		Name: "knows-of-forks-beforehand", What: "a fork counts from before it was known", Promise: 4,
		File: "projections/resolve.go",
		Old:  "if len(a.Parted) > 0 && (a.Received == 0 || a.Received <= known) {",
		New:  "if len(a.Parted) > 0 {", Caught: in("projections", "^TestBranchesKnownAt$"),
	}, {
		Name: "lets-anybody-settle", What: "a device's own word settles which branch stands", Promise: 4,
		File: "projections/branch.go",
		Old:  "if !r.facts[s.fact].Office || r.held[s.fact]",
		New:  "if r.held[s.fact]", Caught: in("projections", "^TestBranches$"),
	}, {
		Name: "settles-where-the-branch-is", What: "a fork is told to the histories of the branch, and not to those of the other one", Promise: 4,
		File: "syncd/store/branch.go",
		Old:  "keys, err := column[string](&e.reader, `SELECT DISTINCT key FROM touch WHERE push IN (SELECT seq FROM push WHERE device=? AND last>=?)`,",
		New:  "keys, err := column[string](&e.reader, `SELECT DISTINCT key FROM touch WHERE push IN (SELECT seq FROM push WHERE device=? AND last>=? AND parted>0)`,", Caught: in("syncd/store", "^TestOrderOfArrival$"),
	}, {
		Name: "hands-out-what-does-not-count", What: "other devices pull records of a branch that nobody has settled", Promise: 4,
		File: "syncd/store/pull.go",
		Old:  "if a.Held != \"\" || divided {",
		New:  "if a.Held != \"\" || divided && false {", Caught: in("syncd/store", "^TestPullBranches$"),
	}, {
		Name: "leaves-old-copies", What: "other devices keep what they had of a branch that does not count any more", Promise: 4,
		File: "syncd/store/pull.go",
		Old:  "if at > 0 && complete {",
		New:  "if at > 0 && complete && false {", Caught: in("syncd/store", "^TestPullBranches$"),
	}, {
		Name: "goes-back-to-another-copy", What: "a device is given records of another branch as its own", Promise: 4,
		File: "syncd/store/reader.go",
		Old:  "AND last>=? AND parted=0 ORDER BY seq LIMIT 1`",
		New:  "AND last>=? ORDER BY seq DESC LIMIT 1`", Caught: []Check{{"syncd/store", "^TestOwnChainOfAFork$"}},
	}, {
		Name: "forgets-branches", What: "branches that RECORDS has lost are not stored again", Promise: 3,
		File: "syncd/heal/heal.go",
		Old:  "for _, k := range branches {",
		New:  "for _, k := range branches[:0] {", Caught: in("cmd/internal/desk", "^TestSettledBranches$"),
	},
}

// Healing and backups.
var ofHealing = []Defect{
	{
		Name: "asks-for-nothing-again", What: "devices are not asked for what RECORDS has lost", Promise: 3,
		File: "syncd/gate/heal.go",
		Old:  "r.From <= r.To && len(all) < wire.MaxRanges",
		New:  "r.From > r.To && len(all) < wire.MaxRanges", Caught: in("cmd/internal/sim", "^TestEachFault$/^(block|all)"),
	}, {
		Name: "forgets-what-it-read", What: "a message that is found gone when all is read is forgotten", Promise: 3,
		File: "syncd/store/stock.go",
		Old:  "m.unsound.Store(true)",
		New:  "m.unsound.Store(false)", Caught: in("cmd/internal/sim", "^TestEachFault$/^block"),
	}, {
		Name: "logs-all-but-some", What: "one message in a hundred gets no leaves in the public log", Promise: 1,
		File: "syncd/trust/publog/follow.go",
		Old:  "for len(list) > 0 && list[0].place.Seq <= l.at.Seq {",
		New:  "for len(list) > 0 && (list[0].place.Seq <= l.at.Seq || list[0].place.Seq%97 == 0) {", Caught: in("cmd/internal/sim", "^TestEachFault$/^centre"),
	}, {
		Name: "stops-before-the-hole", What: "what lies before damaged records that nobody has is not sent", Promise: 3,
		File: "agent/session.go",
		Old:  "if cursor+1 < s.from {",
		New:  "if cursor+1 < s.from && false {", Caught: in("cmd/internal/sim", "^TestUpToTheHole$"),
	},
	{
		Name: "heals-with-anything", What: "what comes for a lost range is not held to the public log", Promise: 3,
		File: "syncd/gate/heal.go",
		Old:  "if at := g.unlogged(device, q.First, records); at != 0 {",
		New:  "if at := g.unlogged(device, q.First, records); at != 0 && len(records) == 0 {", Caught: in("syncd/gate", "^TestHealingRefuses$"),
	}, {
		Name: "lets-the-cursor-fall", What: "a message for a lost range takes the cursor back to it", Promise: 2,
		File: "syncd/gate/heal.go",
		Old:  "commit.Seq, commit.Link = c.seq, c.link\n\tif err := g.store(",
		New:  "if err := g.store(", Caught: in("syncd/gate", "^TestHealedByItsDevice$"),
	}, {
		Name: "goes-by-the-last-message", What: "after healing the key that seals next is that of the healed range", Promise: 4,
		File: "syncd/gate/heal.go",
		Old:  "if last.Range.To == last.Seq {",
		New:  "if last.Range.To <= last.Seq {", Caught: in("syncd/gate", "^TestHealedBeforeARenewal$"),
	}, {
		Name: "knows-it-later", What: "records that come back count from when they came back", Promise: 3,
		File: "syncd/gate/heal.go",
		Old:  "commit.Original = g.firstReceipt(was, place)\n",
		New:  "", Caught: in("cmd/internal/desk", "^TestHeals$/^an_older_state_of_the_streams_is_put_back$"),
	}, {
		Name: "dates-by-any-receipt", What: "the receipt by which records are dated is not looked at", Promise: 3,
		File: "syncd/gate/heal.go",
		Old:  "if err = r.Verify(k.Key); err == nil {",
		New:  "if err = nil; len(k.Key) > 0 {", Caught: in("syncd/gate", "^TestHealingRefuses$"),
	}, {
		Name: "gives-lost-numbers-away", What: "other records may take the numbers of lost ones", Promise: 4,
		File: "syncd/gate/heal.go",
		Old:  "\t\tif differs {",
		New:  "\t\tif differs && seq == 0 {", Caught: in("syncd/gate", "^TestLostNumbersStayTaken$"),
	}, {
		Name: "believes-what-the-stream-counts", What: "messages that the stream counts and cannot give are waited for", Promise: 3,
		File: "syncd/store/follow.go",
		Old:  "if err == nil && !more {",
		New:  "if err == nil && !more && place == 0 {", Caught: in("cmd/internal/desk", "^TestHeals$/^a_block_is_cut_off$"),
	}, {
		Name: "never-reads-it-all", What: "the stream is never read through", Promise: 3,
		File: "syncd/healing.go",
		Old:  "return c.store.Scrub(ctx, c.source)",
		New:  "return nil", Caught: in("cmd/internal/desk", "^TestReadThrough$"),
	}, {
		Name: "takes-half-a-backup", What: "a backup's hash is not looked at", Promise: 3,
		File: "syncd/backup/backup.go",
		Old:  "string(payload[:sha256.Size]) != string(sum.Sum(nil))",
		New:  "len(sum.Sum(nil)) == 0", Caught: in("syncd/backup", "^TestSwapped$"),
	}, {
		Name: "restores-outside", What: "a backup can write outside of the folder", Promise: 0,
		File: "syncd/backup/backup.go",
		Old:  "if !filepath.IsLocal(filepath.FromSlash(path)) || strings",
		New:  "if strings", Caught: in("syncd/backup", "^TestPaths$"),
	},
}

// The public log.
var ofLog = []Defect{
	{
		Name: "signs-before-the-sync", What: "the log's file is not synced", Promise: 0,
		File: "syncd/trust/publog/file.go",
		Old:  "if err := e.f.Sync(); err != nil {\n\t\treturn 0, err\n\t}\n\toff = e.end",
		New:  "off = e.end", Caught: in("syncd/trust/publog", "^TestAppendIsSynced$"),
	}, {
		Name: "a-leaf-for-each-copy", What: "a record that comes again gets another leaf", Promise: 3,
		File: "syncd/trust/publog/draft.go",
		Old:  "if known {\n\t\t\tcontinue\n\t\t}",
		New:  "_ = known", Caught: in("syncd/trust/publog", "^(TestLeaves|TestFollows|TestRecordsCutBack)$"),
	}, {
		Name: "takes-any-root", What: "an entry's root is not computed again", Promise: 0,
		File: "syncd/trust/publog/draft.go",
		Old:  "if root := next.root(); root != e.Root {",
		New:  "if root := next.root(); root != e.Root && e.Size == 0 {", Caught: in("syncd/trust/publog", "^(TestFalseRoot|TestOthersInLog)$"),
	}, {
		Name: "cuts-the-log", What: "damage in the log's file is cut off as if it were torn", Promise: 0,
		File: "syncd/trust/publog/draft.go",
		Old:  "case bad == nil && !frames:",
		New:  "case bad == nil && (frames || !frames):", Caught: in("syncd/trust/publog", "^(TestEveryByte|TestLost)$"),
	},
}

// The read model.
var ofModel = []Defect{
	{
		Name: "counts-a-repeat", What: "a record that is stored twice counts twice", Promise: 2,
		File: "syncd/store/enter.go",
		Old:  "repeats[i] = true",
		New:  "repeats[i] = false", Caught: in("syncd/store", "^TestRepeats$"),
	}, {
		Name: "drops-late-arrivals", What: "a machine that was folded does not take in what comes late", Promise: 0,
		File: "syncd/store/settled.go",
		Old:  "return s.same == s.folded && s.folded == len(s.own.History.Facts)",
		New:  "return s.folded > 0 || s.same == s.folded && s.folded == len(s.own.History.Facts)", Caught: in("syncd/store", "^(TestOrderOfArrival|TestRestatements)$"),
	}, {
		Name: "folds-only-the-new", What: "what comes late is folded as if it were the latest", Promise: 0,
		File: "syncd/store/settled.go",
		Old:  "if from < s.folded || slices.ContainsFunc(",
		New:  "if slices.ContainsFunc(", Caught: in("syncd/store", "^(TestOrderOfArrival|TestRestatements)$"),
	}, {
		Name: "a-register-that-stays", What: "what the office enters late changes no results", Promise: 0,
		File: "syncd/store/settled.go",
		Old:  "for s.same > 0 && s.own.History.Facts[s.same-1].At >= from {",
		New:  "for s.same < 0 {", Caught: in("syncd/store", "^TestRegisterRestates$"),
	}, {
		Name: "corrections-in-their-order", What: "a correction that comes before its target is lost", Promise: 0,
		File: "syncd/store/enter.go",
		Old:  "start = append(start, name{msg.commit.Device, events.Seq(seq)})",
		New:  "_ = seq", Caught: in("syncd/store", "^(TestOrderOfArrival|TestPullWhatCorrectionsBring)$"),
	}, {
		Name: "remembers-what-came-to-nothing", What: "after a transaction that failed, what was remembered of it stays", Promise: 3,
		File: "syncd/store/engine.go",
		Old:  "e.own = nil\n\t\t\te.forget()\n",
		New:  "e.own = nil\n", Caught: in("syncd/store", "^TestFailedTransaction$"),
	}, {
		Name: "a-cursor-of-its-own", What: "the place is written down before the records are", Promise: 3,
		File: "syncd/store/engine.go",
		Old:  "var changes []*change\n\tfor _, msg := range messages {",
		New:  "var changes []*change\n\tif end := messages[len(messages)-1].place; true {\n\t\tif err := e.exec(`INSERT OR REPLACE INTO meta VALUES('seq', ?), ('hash', ?), ('created', ?)`, int64(end.Seq), end.Hash[:], end.Created); err != nil {\n\t\t\treturn err\n\t\t}\n\t\tif err := e.exec(`COMMIT`); err != nil {\n\t\t\treturn err\n\t\t}\n\t\tif err := e.exec(`BEGIN IMMEDIATE`); err != nil {\n\t\t\treturn err\n\t\t}\n\t}\n\tfor _, msg := range messages {", Caught: in("syncd/store", "^(TestFailedTransaction|TestKilled)$"),
	},
}

// Folds: what everything that people read is computed by.
var ofFolds = []Defect{
	{
		Name: "folds-as-they-come", What: "records of one moment are folded in the order of arrival", Promise: 0,
		File: "projections/resolve.go",
		Old:  "\treturn compareWritten(a, b)\n}\n\nfunc",
		New:  "\treturn 0\n}\n\nfunc", Caught: in("projections", "^TestOrderOfTheFold$"),
	}, {
		Name: "knows-too-early", What: "a record is known before it was received", Promise: 0,
		File: "projections/resolve.go",
		Old:  "return f.Received != 0 && f.Received > known",
		New:  "return f.Received != 0 && f.Done > known", Caught: in("projections", "^(TestBounds|TestAdmissionCountsFromWhenItIsKnown)$"),
	}, {
		Name: "knows-by-the-last-copy", What: "of two copies of a record the later receipt counts", Promise: 3,
		File: "projections/resolve.go",
		Old:  "} else if compareArrival(a, r.facts[at].Arrival) < 0 {",
		New:  "} else if compareArrival(a, r.facts[at].Arrival) > 0 {", Caught: in("projections", "^TestARecordCountsOnce$"),
	}, {
		Name: "lets-held-records-count", What: "a record that is held counts", Promise: 5,
		File: "projections/resolve.go",
		Old:  "return f.Done <= asOf && !r.isHeld(i) && !r.isGone(i)",
		New:  "return f.Done <= asOf && !r.isGone(i)", Caught: in("projections", "^(TestCorrections|TestAdmissionCountsFromWhenItIsKnown)$"),
	}, {
		Name: "counts-what-was-withdrawn", What: "a record that was withdrawn counts", Promise: 0,
		File: "projections/resolve.go",
		Old:  "&& !r.isHeld(i) && !r.isGone(i) &&",
		New:  "&& !r.isHeld(i) &&", Caught: in("projections", "^TestCorrections$"),
	}, {
		Name: "the-last-correction-wins", What: "of two corrections in conflict the later one counts", Promise: 4,
		File: "projections/correct.go",
		Old:  "if f.State = g.verdict(heads); len(heads) > 1 {",
		New:  "if f.State = g.verdict(heads[len(heads)-1:]); len(heads) > 9 {", Caught: in("projections", "^TestCorrections$"),
	}, {
		Name: "admits-by-anyone", What: "a device can let its own held records in", Promise: 5,
		File: "projections/correct.go",
		Old:  "if r.facts[a.fact].Office && !r.held[a.fact]",
		New:  "if !r.held[a.fact]", Caught: in("projections", "^(TestCorrections|TestAdmissionCountsFromWhenItIsKnown)$"),
	}, {
		Name: "litres-from-nowhere", What: "what is drained from the bath is added to it", Promise: 0,
		File: "projections/machine/fold.go",
		Old:  "f.since = f.since.Sub(v)",
		New:  "f.since = f.since.Add(v)", Caught: in("projections/machine", "^TestGolden$"),
	},
}
