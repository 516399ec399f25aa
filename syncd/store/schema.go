package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"ullage/events"
	"ullage/events/wire"
	"ullage/projections/list"
)

// schemaVersion changes with the tables, and with what stands in them.
const schemaVersion = 5

var errSchema = errors.New("it is not a model of this version")

const schema = `
CREATE TABLE IF NOT EXISTS meta(name TEXT PRIMARY KEY, value) WITHOUT ROWID;
-- One row a message of RECORDS. data is the message as it is; low and high are the times in the records' ids. parted is 0, or
-- of a branch of a device that has forked, the number of the first record that it has not in common with all others.
CREATE TABLE IF NOT EXISTS push(seq INTEGER PRIMARY KEY, hash BLOB NOT NULL, device TEXT NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
	low INTEGER NOT NULL, high INTEGER NOT NULL, parted INTEGER NOT NULL, data BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS push_device ON push(device, first, last); -- whoever builds a model asks by it too
-- Which records of the message push (their places in it, as uvarint steps) belong to a history, since the message since
-- brought them there. Without places, the parting belongs there that the message tells.
CREATE TABLE IF NOT EXISTS touch(key TEXT, since INTEGER, push INTEGER, places BLOB NOT NULL, PRIMARY KEY(key, since, push)) WITHOUT ROWID;
-- Which records name another: a correction or an admission its target.
CREATE TABLE IF NOT EXISTS correction(device TEXT, seq INTEGER, push INTEGER, place INTEGER, PRIMARY KEY(device, seq, push, place)) WITHOUT ROWID;
-- What devices say of the public log and of their clocks, by the record in which they do, held ones left out. offset_ms is
-- null where it was not measured.
CREATE TABLE IF NOT EXISTS seen(device TEXT, seq INTEGER, hash BLOB, origin TEXT NOT NULL, size INTEGER NOT NULL, root BLOB NOT NULL,
	PRIMARY KEY(device, seq, hash)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS clock(device TEXT, seq INTEGER, hash BLOB, offset_ms INTEGER, new_run INTEGER NOT NULL, PRIMARY KEY(device, seq, hash)) WITHOUT ROWID;
-- Which machines' results rest on a history of the register.
CREATE TABLE IF NOT EXISTS rest(key TEXT, machine TEXT, PRIMARY KEY(key, machine)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS restatement(number INTEGER PRIMARY KEY, id BLOB NOT NULL, machine TEXT NOT NULL, projection TEXT NOT NULL, what TEXT NOT NULL,
	old TEXT NOT NULL, new TEXT NOT NULL, caused_by BLOB NOT NULL);
-- Stretches of the stream that are not in the tables above. data is that of a message that cannot be read.
CREATE TABLE IF NOT EXISTS unread(first INTEGER PRIMARY KEY, last INTEGER NOT NULL, why TEXT NOT NULL, data BLOB);
`

// indexes are made at once for a model in use, and last for one that is being built.
const indexes = `
CREATE INDEX IF NOT EXISTS push_ids ON push(high, low);
CREATE INDEX IF NOT EXISTS seen_log ON seen(origin, size);
CREATE INDEX IF NOT EXISTS seen_size ON seen(device, size);
CREATE INDEX IF NOT EXISTS restatement_machine ON restatement(machine);
`

// fingerprint tells which versions of the projections made a model.
func fingerprint() string {
	h := sha256.New()
	for _, p := range list.All {
		fmt.Fprintf(h, "%s %d\n", p.Name, p.Version)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// prepare makes the tables where they are missing, and reads what the model says of itself.
func (m *model) prepare(bulk bool) error {
	var version int
	if err := m.write.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil {
		return err
	}
	if version == 0 {
		if _, err := m.write.Exec(fmt.Sprintf(`PRAGMA user_version=%d;`, schemaVersion)); err != nil {
			return err
		}
		version = schemaVersion
	}
	if version != schemaVersion {
		return fmt.Errorf("%w: its tables are those of version %d, not %d", errSchema, version, schemaVersion)
	}
	tables := schema
	if !bulk {
		tables += indexes
	}
	if _, err := m.write.Exec(tables); err != nil {
		return err
	}
	if _, err := m.write.Exec(`INSERT OR IGNORE INTO meta VALUES('made', ?)`, fingerprint()); err != nil {
		return err
	}
	var made string
	if err := m.write.QueryRow(`SELECT value FROM meta WHERE name='made'`).Scan(&made); err != nil {
		return err
	}
	m.same = made == fingerprint()
	var hash []byte
	err := m.write.QueryRow(`SELECT
		(SELECT value FROM meta WHERE name='seq'), (SELECT value FROM meta WHERE name='hash'), (SELECT value FROM meta WHERE name='created')
		WHERE EXISTS (SELECT 1 FROM meta WHERE name='seq')`).Scan(&m.at.Seq, &hash, &m.at.Created)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil
	case err != nil:
		return err
	case len(hash) != len(m.at.Hash):
		return fmt.Errorf("%w: its place has a hash of %d bytes", errSchema, len(hash))
	}
	m.at.Hash = events.Hash(hash)
	readable, err := m.readable()
	m.same = m.same && !readable
	return err
}

// readable tells whether this version can read a message that the model has passed over.
func (m *model) readable() (bool, error) {
	rows, err := m.write.Query(`SELECT first, data FROM unread WHERE data IS NOT NULL`)
	if err != nil {
		return false, err
	}
	defer rows.Close()
	for rows.Next() {
		var seq uint64
		var data []byte
		if err := rows.Scan(&seq, &data); err != nil {
			return false, err
		}
		if _, err := readMessage(wire.Place{Seq: seq}, data, m.office); err == nil {
			return true, nil
		}
	}
	return false, rows.Err()
}
