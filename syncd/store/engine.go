package store

import (
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"

	"ullage/events"
	"ullage/projections"
	"ullage/projections/list"
)

// engine writes messages into a model, each with what follows from it.
type engine struct {
	m  *model
	tx *sql.Tx

	statements map[string]*sql.Stmt // of tx

	histories *lru[string, []projections.Arrival] // by key
	results   *lru[events.MachineID, [][]projections.Result]
	needs     *lru[events.MachineID, map[string]bool] // written as rows of rest
}

func newEngine(m *model) *engine {
	e := &engine{m: m}
	e.forget()
	return e
}

// forget drops what is remembered of the tables, after a transaction that came to nothing.
func (e *engine) forget() {
	e.histories = newLRU[string, []projections.Arrival](300_000)
	e.results = newLRU[events.MachineID, [][]projections.Result](200_000)
	e.needs = newLRU[events.MachineID, map[string]bool](100_000)
}

// apply writes messages, in the order of the stream, in one transaction: all or none.
func (e *engine) apply(messages []*message) (err error) {
	if e.tx, err = e.m.write.Begin(); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	e.statements = map[string]*sql.Stmt{}
	defer func() {
		if err != nil {
			e.forget()
			err = errors.Join(err, e.tx.Rollback())
		}
		e.tx = nil
	}()
	for _, msg := range messages {
		if err = e.message(msg); err != nil {
			return fmt.Errorf("read model: message %d: %w", msg.place.Seq, err)
		}
	}
	last := messages[len(messages)-1].place
	if err = e.exec(`INSERT OR REPLACE INTO meta VALUES('seq', ?), ('hash', ?), ('created', ?)`, int64(last.Seq), last.Hash[:], last.Created); err != nil {
		return err
	}
	if err = e.tx.Commit(); err != nil {
		return fmt.Errorf("read model: %w", err)
	}
	e.m.setPlace(last)
	return nil
}

func (e *engine) statement(query string) (*sql.Stmt, error) {
	if s, ok := e.statements[query]; ok {
		return s, nil
	}
	s, err := e.tx.Prepare(query)
	if err != nil {
		return nil, err
	}
	e.statements[query] = s
	return s, nil
}

func (e *engine) exec(query string, args ...any) error {
	s, err := e.statement(query)
	if err != nil {
		return err
	}
	_, err = s.Exec(args...)
	return err
}

// Query makes an engine a querier within its transaction.
func (e *engine) Query(query string, args ...any) (*sql.Rows, error) {
	s, err := e.statement(query)
	if err != nil {
		return nil, err
	}
	return s.Query(args...)
}

// spot is where a record stands in the model.
type spot struct {
	push  uint64
	place int
}

// touched collects which records of which message belong to which history.
type touched map[string]map[uint64][]int

func (t touched) add(key string, s spot) {
	if t[key] == nil {
		t[key] = map[uint64][]int{}
	}
	t[key][s.push] = append(t[key][s.push], s.place)
}

// message writes one message and what follows from it.
func (e *engine) message(msg *message) error {
	fresh, err := e.fresh(msg)
	if err != nil {
		return err
	}
	low, high := msg.times()
	if err := e.exec(`INSERT INTO push VALUES(?, ?, ?, ?, ?, ?, ?)`, int64(msg.place.Seq), string(msg.commit.Device), int64(msg.commit.Range.From), int64(msg.commit.Range.To),
		int64(low), int64(high), msg.data); err != nil {
		return err
	}
	e.m.pushes.put(msg.place.Seq, msg.arrivals, len(msg.arrivals))
	touches := touched{}
	for _, a := range fresh {
		for _, key := range keysOf(&a.Arrival) {
			touches.add(key, spot{a.push, a.place})
		}
	}
	if err := e.join(msg, fresh, touches); err != nil {
		return err
	}
	for _, key := range sortedKeys(touches) {
		if err := e.touch(key, touches[key], msg); err != nil {
			return err
		}
	}
	machines, err := e.affected(touches)
	if err != nil {
		return err
	}
	for _, id := range machines {
		if err := e.refold(id, msg); err != nil {
			return fmt.Errorf("machine %s: %w", id, err)
		}
	}
	return nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// fresh returns the records of a message that the model does not hold yet: a record counts once, however often it is
// stored.
func (e *engine) fresh(msg *message) ([]*arrival, error) {
	fresh := make([]*arrival, len(msg.arrivals))
	for i := range msg.arrivals {
		fresh[i] = &msg.arrivals[i]
	}
	before, err := e.overlapping(msg)
	if err != nil || len(before) == 0 {
		return fresh, err
	}
	return slices.DeleteFunc(fresh, func(a *arrival) bool {
		for _, b := range before {
			if b.Record.Seq == a.Record.Seq && b.Hash == a.Hash {
				return true
			}
		}
		return false
	}), nil
}

func (e *engine) overlapping(msg *message) ([]arrival, error) {
	pushes, err := e.m.holding(e, msg.commit.Device, msg.commit.Range.From, msg.commit.Range.To)
	if err != nil {
		return nil, err
	}
	var all []arrival
	for _, seq := range pushes {
		arrivals, err := e.m.push(e, seq)
		if err != nil {
			return nil, err
		}
		all = append(all, arrivals...)
	}
	return all, nil
}

func collect[T any](rows *sql.Rows) ([]T, error) {
	defer rows.Close()
	var all []T
	for rows.Next() {
		var x T
		if err := rows.Scan(&x); err != nil {
			return nil, err
		}
		all = append(all, x)
	}
	return all, rows.Err()
}

// join puts a record and its corrections into each other's histories: an amendment that moves a record to another
// machine brings the record along, and a correction belongs wherever its target does. What arrives first does not
// matter.
func (e *engine) join(msg *message, fresh []*arrival, touches touched) error {
	var start []recordName
	for _, a := range fresh {
		if a.Content == nil {
			continue
		}
		target, ok, err := events.CorrectionOf(&a.Record)
		if err != nil || !ok {
			continue // a correction that cannot be read corrects nothing; it is held
		}
		if err := e.exec(`INSERT OR IGNORE INTO correction VALUES(?, ?, ?, ?)`, string(target.Device), int64(target.Seq), int64(a.push), a.place); err != nil {
			return err
		}
		start = append(start, recordName{target.Device, target.Seq})
	}
	rows, err := e.Query(`SELECT DISTINCT seq FROM correction WHERE device=? AND seq BETWEEN ? AND ?`, string(msg.commit.Device), int64(msg.commit.Range.From), int64(msg.commit.Range.To))
	if err != nil {
		return err
	}
	waited, err := collect[uint64](rows)
	if err != nil {
		return err
	}
	for _, seq := range waited {
		start = append(start, recordName{msg.commit.Device, events.Seq(seq)})
	}
	done := map[recordName]bool{}
	for _, name := range start {
		if done[name] {
			continue
		}
		if err := e.joinGroup(name, done, touches); err != nil {
			return err
		}
	}
	return nil
}

// recordName names a record apart from its hash.
type recordName struct {
	device events.DeviceID
	seq    events.Seq
}

// joinGroup finds all records that name, or are named by, the one it starts from, over any number of steps.
func (e *engine) joinGroup(from recordName, done map[recordName]bool, touches touched) error {
	keys := map[string]bool{}
	var spots []spot
	for queue := []recordName{from}; len(queue) > 0; queue = queue[1:] {
		name := queue[0]
		if done[name] {
			continue
		}
		done[name] = true
		members, err := e.m.named(e, name.device, name.seq)
		if err != nil {
			return err
		}
		for _, a := range members {
			spots = append(spots, spot{a.push, a.place})
			for _, key := range keysOf(&a.Arrival) {
				keys[key] = true
			}
			if target, ok, err := events.CorrectionOf(&a.Record); ok && err == nil {
				queue = append(queue, recordName{target.Device, target.Seq})
			}
		}
		rows, err := e.Query(`SELECT push, place FROM correction WHERE device=? AND seq=?`, string(name.device), int64(name.seq))
		if err != nil {
			return err
		}
		corrections, err := collectSpots(rows)
		if err != nil {
			return err
		}
		for _, s := range corrections {
			arrivals, err := e.m.push(e, s.push)
			if err != nil {
				return err
			}
			a := &arrivals[s.place]
			queue = append(queue, recordName{a.Record.Device, a.Record.Seq})
		}
	}
	for key := range keys {
		for _, s := range spots {
			touches.add(key, s)
		}
	}
	return nil
}

func collectSpots(rows *sql.Rows) ([]spot, error) {
	defer rows.Close()
	var all []spot
	for rows.Next() {
		var s spot
		if err := rows.Scan(&s.push, &s.place); err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, rows.Err()
}

// touch writes which records belong to a history, and brings the remembered one up to date.
func (e *engine) touch(key string, places map[uint64][]int, msg *message) error {
	old := false // records of earlier messages came into it
	for push, list := range places {
		slices.Sort(list)
		list = slices.Compact(list)
		if push != msg.place.Seq {
			merged, changed, err := e.merge(key, push, list)
			if err != nil {
				return err
			}
			if !changed {
				continue
			}
			list, old = merged, true
		}
		places[push] = list
		if err := e.exec(`INSERT OR REPLACE INTO touch VALUES(?, ?, ?)`, key, int64(push), appendPlaces(nil, list)); err != nil {
			return err
		}
	}
	if old {
		e.histories.drop(key)
		return nil
	}
	history, ok := e.histories.get(key)
	if !ok {
		return nil
	}
	for _, p := range places[msg.place.Seq] {
		history = append(history, msg.arrivals[p].Arrival)
	}
	e.histories.put(key, history, len(history)+1)
	return nil
}

// merge adds places to those that a history has in an earlier message.
func (e *engine) merge(key string, push uint64, list []int) (merged []int, changed bool, err error) {
	rows, err := e.Query(`SELECT places FROM touch WHERE key=? AND push=?`, key, int64(push))
	if err != nil {
		return nil, false, err
	}
	blobs, err := collect[[]byte](rows)
	if err != nil {
		return nil, false, err
	}
	var before []int
	if len(blobs) > 0 {
		if before, err = readPlaces(blobs[0]); err != nil {
			return nil, false, err
		}
	}
	merged = append(slices.Clone(before), list...)
	slices.Sort(merged)
	merged = slices.Compact(merged)
	return merged, len(merged) != len(before), nil
}

// affected lists the machines whose results may be others now, in ascending order.
func (e *engine) affected(touches touched) ([]events.MachineID, error) {
	var ids []events.MachineID
	for key := range touches {
		if id, ok := strings.CutPrefix(key, machinePrefix); ok {
			ids = append(ids, events.MachineID(id))
			continue
		}
		if strings.HasPrefix(key, visitPrefix) {
			continue
		}
		rows, err := e.Query(`SELECT machine FROM rest WHERE key=?`, key)
		if err != nil {
			return nil, err
		}
		resting, err := collect[events.MachineID](rows)
		if err != nil {
			return nil, err
		}
		ids = append(ids, resting...)
	}
	slices.Sort(ids)
	return slices.Compact(ids), nil
}

// refold computes the settled results of a machine again and writes down what changed.
func (e *engine) refold(id events.MachineID, msg *message) error {
	in, needs, err := e.m.input(e.history, id, projections.Now)
	if err != nil {
		return err
	}
	if err := e.rest(id, needs); err != nil {
		return err
	}
	before, ok := e.results.get(id)
	if !ok {
		if before, err = e.loadResults(id); err != nil {
			return err
		}
	}
	after := make([][]projections.Result, len(list.All))
	weight := 1
	for i, p := range list.All {
		if p.Results != nil {
			after[i] = p.Results(in)
		}
		weight += len(after[i])
		if err := e.writeResults(id, p.Name, before[i], after[i]); err != nil {
			return err
		}
		for _, r := range projections.Restate(p.Name, id, msg.place.Hash, before[i], after[i]) {
			if err := e.exec(`INSERT INTO restatement(id, machine, projection, what, old, new, push, caused_by) VALUES(?, ?, ?, ?, ?, ?, ?, ?)`,
				r.ID[:], string(id), p.Name, r.What, r.Old, r.New, int64(msg.place.Seq), msg.place.Hash[:]); err != nil {
				return err
			}
		}
	}
	e.results.put(id, after, weight)
	return nil
}

func (e *engine) loadResults(id events.MachineID) ([][]projections.Result, error) {
	all := make([][]projections.Result, len(list.All))
	rows, err := e.Query(`SELECT projection, what, value FROM result WHERE machine=? ORDER BY projection, what`, string(id))
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		var r projections.Result
		if err := rows.Scan(&name, &r.What, &r.Value); err != nil {
			return nil, err
		}
		for i, p := range list.All {
			if p.Name == name {
				all[i] = append(all[i], r)
			}
		}
	}
	return all, rows.Err()
}

// writeResults brings the rows of a projection from before to after; both ascend by What.
func (e *engine) writeResults(id events.MachineID, projection string, before, after []projections.Result) error {
	for i, j := 0, 0; i < len(before) || j < len(after); {
		switch {
		case j == len(after) || i < len(before) && before[i].What < after[j].What:
			if err := e.exec(`DELETE FROM result WHERE machine=? AND projection=? AND what=?`, string(id), projection, before[i].What); err != nil {
				return err
			}
			i++
		case i < len(before) && before[i] == after[j]:
			i, j = i+1, j+1
		default:
			if err := e.exec(`INSERT OR REPLACE INTO result VALUES(?, ?, ?, ?)`, string(id), projection, after[j].What, after[j].Value); err != nil {
				return err
			}
			if i < len(before) && before[i].What == after[j].What {
				i++
			}
			j++
		}
	}
	return nil
}

// rest writes down on which other histories the results of a machine rest.
func (e *engine) rest(id events.MachineID, needs map[string]bool) error {
	known, ok := e.needs.get(id)
	if !ok {
		known = map[string]bool{}
	}
	for key := range needs {
		if known[key] {
			continue
		}
		if err := e.exec(`INSERT OR IGNORE INTO rest VALUES(?, ?)`, key, string(id)); err != nil {
			return err
		}
		known[key] = true
	}
	e.needs.put(id, known, len(known)+1)
	return nil
}

// history loads a history, or takes the remembered one.
func (e *engine) history(key string) ([]projections.Arrival, error) {
	if h, ok := e.histories.get(key); ok {
		return h, nil
	}
	h, err := e.m.history(e, key)
	if err != nil {
		return nil, err
	}
	e.histories.put(key, h, len(h)+1)
	return h, nil
}
