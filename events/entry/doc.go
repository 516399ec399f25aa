// Package entry makes records from entry lines, and entry lines from records.
//
// An entry line is one JSON object: what happened (kind and body), when it happened, where, in which visit, and by
// whom. People type such lines, the device's page makes them, scripts send them and exports consist of them. A Writer
// turns them into records: it checks them, gives them their numbers, their clock and their identifiers, and hands them
// to a journal. Line is the way back.
//
//	{"kind":"visit.opened","done":"2026-03-02T09:02:00+01:00","site":"north-yard","visit":"v1","by":"T2",
//	 "body":{"reason":"planned"}}
//
// (broken here for reading; a line is a line). The envelope has kind, done, site, machine, visit, by, key, body and
// record, all but kind optional. What the fields of the body are, the kind's Schema says; how each type of field stands
// in JSON, FORMAT.md beside this file.
//
// One call of Record is one act: either every line of it is in the journal, on the disk, or none is. The first line
// that is wrong is named by its number, the field, the value and what would be right. Stream takes line by line
// instead; there a bad line stops nothing.
//
// Reading is strict. A field that is not known, a field given twice at any depth, null, a number that cannot be kept
// as it stands, text that is not UTF-8: each is an error, for what is guessed here would stand in the chain for ever.
//
// The package is pure: clock, randomness, journal, lookup and evidence are given to it. Texts too long for a record
// are handed to the Evidence, and only after every line of the call has been found good. A call that fails later, on a
// full disk, may leave pieces behind that no record names; they are harmless.
package entry
