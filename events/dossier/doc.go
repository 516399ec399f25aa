// Package dossier is the file that proves a visit, or a stretch of a machine's history, to a stranger: its format, how
// it is made from what a centre holds, and how it is checked.
//
// A dossier is one ZIP archive. It holds the bytes of records as they were first written, and whatever it takes to
// check them without asking anybody: the hashes of the chain around them, the devices' seals, the gates' receipts,
// the records' places in the public log with the proofs, the log's checkpoint, and the records by which devices were
// given their keys. Evidence goes with its salt, or it is said why it is not there. A signed manifest binds all of it
// together. README.txt, which is part of every dossier, is the text of the format, written for a reader who has never
// heard of Ullage and exact enough for a second verifier; there is one in the tests.
//
// Make writes a dossier in its one form. Verify refuses whatever is not that form (ErrRefused), and otherwise reports:
// first what the file shows and what it does not, then claim by claim whether it holds.
//
// Records that are not shown are hashes and nothing else. What a dossier cannot show is that nothing was left out; it
// says so.
//
// The package is pure: it makes and reads bytes.
package dossier
