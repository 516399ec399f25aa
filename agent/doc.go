// Package agent is the device: it keeps records on its own disk, brings them to the centre whenever a network is
// there, and fetches what the centre has for it.
//
// A device lives in one folder:
//
//	device.json     who it is, and where its centre is: written last at enrolment, so that its presence means enrolled
//	keys/           its two private keys, made here, which never leave the folder; a lock for enrolments
//	journal/        its records, seals and receipts (package journal): the only part that cannot be had again
//	evidence/       encrypted pieces (package evidence)
//	erased.json     which pieces of evidence the office has ordered to be erased (erase.go)
//	pulled/         copies of others' records; may be deleted at any time and is fetched again
//	pins.json       the keys by which the device knows its centre: {"format": 1, "pins": [SHA-256 in hexadecimal, …]}
//	gates.json      the keys by which the centre's gates sign receipts
//	log.json        the newest checkpoint of the centre's public log that was checked, and what did not go together with it
//	sync.json       how the last conversation with the centre went; may be deleted at any time
//	agent.json      address and token of the process that runs, while one runs
//
// Enrol makes such a folder. Open gives a Device, of which one process at a time has one; Look reads the same folder
// without the lock, for status, check and export. Record and Stream keep entry lines. Sync talks to the centre until
// nothing waits; Run does so whenever there is a reason, and serves the handover and the plain page on loopback.
//
// Three words, fixed by the design: a record is kept once it is on this disk, received once a gate's signed receipt
// for it is on this disk too, and waiting in between.
//
// One conversation (session.go) is a hello, then what has to be mended, then pushes, then pulls. Everything in it can
// be cut off at any point and begun again: the device decides nothing by what it remembers of a lost answer, only by
// receipts that it holds and by the cursor that the centre names. A request that was not answered is unknown, never
// failed; it is sent again, and the centre answers by its cursor. Nothing is counted as received but by a receipt whose
// signature holds and whose link is the one of the device's own chain.
//
// At each hello the device holds the newest checkpoint of the centre's public log to the one that it checked before
// (guard.go). One that does not go on from it is kept, with both notes, and told for ever; it stops nothing.
//
// There is one place that decides when to try again (loop.go) and one that says why something waits (why.go).
//
// Whatever answers is held to pins.json (pins.go) before anything is said to it, at enrolment and in each conversation,
// by signatures and by name, never by the clock. A new key of the centre that an old one has signed is learned then.
//
// What it does not do yet: send evidence, send ranges again that the centre wants back.
package agent
