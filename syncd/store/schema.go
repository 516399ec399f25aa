package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"ullage/events"
	"ullage/projections/list"
)

// schemaVersion changes with the tables.
const schemaVersion = 1

const schema = `
CREATE TABLE IF NOT EXISTS meta(name TEXT PRIMARY KEY, value) WITHOUT ROWID;
-- One row a message of RECORDS. data is the message as it is.
CREATE TABLE IF NOT EXISTS push(seq INTEGER PRIMARY KEY, device TEXT NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
	low INTEGER NOT NULL, high INTEGER NOT NULL, data BLOB NOT NULL); -- low, high: the times in the records' ids
CREATE INDEX IF NOT EXISTS push_device ON push(device, first); -- a rebuild asks by it too
-- Which records of a message (their places in it, as uvarint steps) belong to a history.
CREATE TABLE IF NOT EXISTS touch(key TEXT, push INTEGER, places BLOB NOT NULL, PRIMARY KEY(key, push)) WITHOUT ROWID;
-- Which records name another: a correction its target.
CREATE TABLE IF NOT EXISTS correction(device TEXT, seq INTEGER, push INTEGER, place INTEGER, PRIMARY KEY(device, seq, push, place)) WITHOUT ROWID;
-- Which machines' results rest on a history that is not their own.
CREATE TABLE IF NOT EXISTS rest(key TEXT, machine TEXT, PRIMARY KEY(key, machine)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS result(machine TEXT, projection TEXT, what TEXT, value TEXT NOT NULL, PRIMARY KEY(machine, projection, what)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS restatement(number INTEGER PRIMARY KEY, id BLOB NOT NULL, machine TEXT NOT NULL, projection TEXT NOT NULL, what TEXT NOT NULL, old TEXT NOT NULL, new TEXT NOT NULL, push INTEGER NOT NULL, caused_by BLOB NOT NULL);
`

// indexes are made at once for a model in use, and last for one that is being built.
const indexes = `
CREATE INDEX IF NOT EXISTS restatement_machine ON restatement(machine);
`

// fingerprint tells which versions of the projections made a model.
func fingerprint() string {
	h := sha256.New()
	fmt.Fprintf(h, "schema %d\n", schemaVersion)
	for _, p := range list.All {
		fmt.Fprintf(h, "%s %d\n", p.Name, p.Version)
	}
	return hex.EncodeToString(h.Sum(nil)[:8])
}

// prepare makes the tables and reads the place.
func (m *model) prepare() error {
	if _, err := m.write.Exec(schema + indexes); err != nil {
		return err
	}
	var made string
	err := m.write.QueryRow(`SELECT value FROM meta WHERE name='made'`).Scan(&made)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		made = fingerprint()
		if _, err := m.write.Exec(`INSERT INTO meta VALUES('made', ?)`, made); err != nil {
			return err
		}
	case err != nil:
		return err
	}
	m.same = made == fingerprint()
	var hash []byte
	err = m.write.QueryRow(`SELECT
		(SELECT value FROM meta WHERE name='seq'), (SELECT value FROM meta WHERE name='hash'), (SELECT value FROM meta WHERE name='created')
		WHERE EXISTS (SELECT 1 FROM meta WHERE name='seq')`).Scan(&m.at.Seq, &hash, &m.at.Created)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err == nil && len(hash) != len(m.at.Hash) {
		err = fmt.Errorf("the place has a hash of %d bytes", len(hash))
	}
	if err != nil {
		return err
	}
	m.at.Hash = events.Hash(hash)
	return nil
}
