// Package events is the language of Ullage: what can be recorded, how a record is written in bytes, how the records of
// a device are chained, and how a chain is sealed.
//
// A Record is one fact. It has an envelope (who wrote it, when, whom and what it concerns) and a body, typed by its
// kind and the version of that kind. It is never changed: what was wrong is put right by another record that names it.
// Its bytes, written once in the one canonical form (FORMAT.md), are the record for ever. They are stored, sent, hashed
// and exported as they are, and nothing encodes a record again to check it. Two records are the same when their device,
// their number and the hash of their bytes are the same.
//
// Each device numbers its records from 1 without a gap. Link chains them, and a Seal, the device's signature over a
// link, covers every record up to it. The link does not stand in the record, so a stretch of chain can be proved by
// hashes alone.
//
// The package is pure: it knows no network, no file, no clock and no goroutine. Time and randomness are given to it.
// It decodes strictly and totally: the canonical form and nothing else, every size bounded before memory is taken,
// nothing half filled when there is an error, no panic whatever the bytes.
//
// A kind is one file, kind_<noun>_<verb>.go: a struct whose tags give the names, the limits and the words of its
// fields (body.go tells how), and one line that puts it into the table of kinds.
package events
