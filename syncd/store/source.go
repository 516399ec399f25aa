package store

import (
	"context"
	"time"

	"ullage/events"
	"ullage/syncd/stream"
)

// What goes into one transaction: small enough that a stop is not waited for.
const (
	batchMessages = 64
	batchRecords  = 4096
)

// reading is a stretch of the stream on its way to the writer.
type reading struct {
	messages chan *message // read and sorted; closed at the end
	err      error         // why it ended; nil at the end of the stretch. Valid once messages is closed
}

// read reads the messages behind a sequence, in order, as stream.Each does. Whoever stops listening ends ctx and drains the
// messages.
func read(ctx context.Context, src stream.Stream, after, until uint64, office func(events.DeviceID) bool) (*reading, error) {
	at, err := src.State(ctx)
	if err != nil {
		return nil, err
	}
	r := &reading{messages: make(chan *message, batchMessages/2)}
	go func() {
		defer close(r.messages)
		r.err = src.Each(ctx, after, until, func(m stream.Message) error {
			place := m.Place(at.Created)
			msg, err := readMessage(place, m.Data, office)
			if err != nil {
				msg = &message{place: place, data: m.Data, unread: err}
			}
			msg.sort()
			select {
			case r.messages <- msg:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	return r, nil
}

// each reads as read does, and hands the messages on in batches: as many as are there already. idle, where it is not
// nil, is called in between: every minute, when the broker is there again after it was away, and when poke says so.
func each(ctx context.Context, src stream.Stream, after, until uint64, office func(events.DeviceID) bool, fn func([]*message) error, idle func() error, poke <-chan struct{}) error {
	ctx, cancel := context.WithCancel(ctx)
	r, err := read(ctx, src, after, until, office)
	if err != nil {
		cancel()
		return err
	}
	defer func() {
		cancel()
		for range r.messages { // until the reader has seen it
		}
	}()
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	again := src.Again(ctx)
	look := func() error {
		if idle == nil {
			return nil
		}
		return idle()
	}
	for {
		select {
		case msg, ok := <-r.messages:
			if !ok {
				return r.err
			}
			if ctx.Err() != nil {
				return ctx.Err() // what is read already can wait
			}
			if err := fn(r.batch(msg)); err != nil {
				return err
			}
		case <-tick.C:
			if err := look(); err != nil {
				return err
			}
		case <-again:
			if err := look(); err != nil {
				return err
			}
		case <-poke:
			if err := look(); err != nil {
				return err
			}
		}
	}
}

// batch is a message, and those behind it that are there already.
func (r *reading) batch(msg *message) []*message {
	batch, records := []*message{msg}, len(msg.arrivals)
	for len(batch) < batchMessages && records < batchRecords {
		select {
		case next, ok := <-r.messages:
			if !ok {
				return batch
			}
			batch, records = append(batch, next), records+len(next.arrivals)
		default:
			return batch
		}
	}
	return batch
}
