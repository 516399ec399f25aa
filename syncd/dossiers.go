package syncd

import (
	"context"

	"ullage/events"
	form "ullage/events/dossier"
	"ullage/events/wire"
	"ullage/syncd/dossier"
)

// dossiers makes the maker of dossiers.
func (c *Centre) dossiers() *dossier.Maker {
	gate, key := c.trust.Gate()
	return dossier.New(dossier.Config{
		Store: c.store, Log: c.log, LogKey: c.log.Key(), Sign: c.trust.Log().Sign, Gates: c.trust.GateKeys,
		Receipt: func(r *wire.Receipt) { r.Sign(gate, key) }, Offices: c.offices, Piece: c.desk.Piece, Erased: c.erasedBy, Now: now,
	})
}

// erasedBy finds the record by which a piece of evidence was ordered to be erased.
func (c *Centre) erasedBy(ctx context.Context, d events.Digest) (events.RecordID, bool, error) {
	state, err := c.store.Evidence(ctx)
	if err != nil {
		return events.RecordID{}, false, err
	}
	order, ok := state.Erased(d)
	return order.ID, ok, nil
}

// offices are the office's devices that this centre knows, with their first keys.
func (c *Centre) offices() (all []form.Held) {
	for _, d := range c.trust.Devices() {
		if d.Office {
			all = append(all, form.Held{Device: d.ID, Key: form.Hex(d.Key)})
		}
	}
	return all
}
