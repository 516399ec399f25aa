// Package journal is the append-only log of a device on its disk: its records, the seals over them, and the receipts
// for them. FORMAT.md gives the bytes.
//
// A record is *kept* when Append has returned without an error. Before a power cut that means: the record is in the
// journal, stands in its place in the device's chain, and was synced to the disk. After a power cut it means: Open
// finds it there, with the same number and the same link. What was given to an Append that had not returned may be
// there or not; if it is, it is whole, and everything before it is there too. Open makes what it finds kept: it syncs
// it, and writes again what it cannot prove to have been synced.
//
// Append builds frames behind the head, writes them with all others that wait, and syncs once. A sync that fails is not
// tried again: the journal stops writing, because the system may have thrown away what it could not write and answer
// the next sync with success. A disk without room is an error before anything counts, and the journal goes on when
// there is room.
//
// A Journal is written by one process at a time, held apart by a lock of the system. A Reader and Check read beside it.
// Opening reads the last segment; finding a record by number, identifier or key reads a page or two of an index of each
// segment. Neither memory nor the time of an append grows with the length.
//
// Damage is told from a tear. An end that was not finished when the power went is cut off, and told. Anything else that
// is not as it was written is damage: its segment is set aside whole, the records before and after the damage that
// prove their place in the chain are put into its place, and the head stays where it was. What is missing is a gap:
// reading into it gives a GapError, Check names its file and bytes, and Restore fills it with records fetched from
// elsewhere, once their chain fits on both sides. Each record has its links written beside it, so a damaged record
// takes no other with it. A seal or receipt next to a lost record may stay behind in the file that was set aside.
//
// What cannot be told: a disk that says it synced and did not may lose whole writes from the end, and what is left
// reads as a journal that ends there. Inside the journal this shows where a later file knows more: the head of the next
// segment, or an index. At the end it shows only outside: whoever holds a receipt, a seal or the centre's cursor beyond
// Head knows that the journal fell behind, and must fetch the rest before more is recorded. Damage in the very last
// write is taken for a tear where the note that it was synced, which follows it unsynced, is lost or damaged too.
// Someone who can write the files can rewrite the chain from any point on; the seals, the receipts and the centre's log
// are against that, and Check hands them to a function that knows them.
//
// A sector that the system refuses to read at all is an error of the call that needed it, not damage: a cable may come
// back. Nothing is set aside for it.
//
// All effects on files go through FS, so that tests can make each of them fail, lie, or lose power.
package journal
