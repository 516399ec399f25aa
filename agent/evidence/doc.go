// Package evidence keeps what is too long or too personal for a record: texts, names, pictures, signatures.
//
// A record holds only the digest of a piece, SHA-256 over a random salt and the piece's bytes; whoever has the digest
// and neither salt nor piece learns nothing from it, not even by guessing. The piece itself lies in a Folder, encrypted
// under a key of its own. Salt and key lie apart from it in a small file that can be overwritten: then the piece is
// gone, wherever copies of its encrypted bytes may be, and the record, with the whole chain behind it, is untouched.
// FORMAT.md beside this file gives the files byte by byte.
//
// Keep returns after the key and then the piece are on the disk, so that no record can name a piece which a power cut
// takes away. What a crash leaves half written has a name that nobody looks for, and is removed by the next Open. A
// piece that was kept and then named by no record, because the journal could not be written, does no harm.
//
// Erase overwrites the key and removes the piece. It can be repeated, and has to be where a backup was put back: what
// lies in a backup it does not reach, and so the orders to erase are records, which outlive this folder.
//
// Reading trusts nothing: a piece is decrypted with authentication, and its digest is computed again. One that is not
// what it was is a DamagedError with its digest and file, and never a shorter or other text. What is not here (claimed
// by a record, not yet fetched) and what was erased is no error.
//
// A Folder may be used at the same time by many goroutines, by one process that writes, which the lock of the journal
// beside it sees to, and by any number that View.
package evidence
