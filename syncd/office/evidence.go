package office

import (
	"context"

	"ullage/events"
)

// pieces are the evidence that is held here. What is read of it is noted in the visit, and told before it gets out
// (toldWriter); so there is no other way to it here than text.
type pieces struct {
	held interface {
		Text(events.Digest) ([]byte, bool, error)
	}
}

// text is entry.Evidence's Text for a request.
func (p pieces) text(ctx context.Context, d events.Digest) ([]byte, bool, error) {
	text, ok, err := p.held.Text(d)
	if ok && err == nil {
		visitOf(ctx).reads.add(d)
	}
	return text, ok, err
}

func (r *reads) add(d events.Digest) {
	if r.all[d] {
		return
	}
	if r.all == nil {
		r.all = map[events.Digest]bool{}
	}
	r.all[d] = true
	r.fresh = append(r.fresh, d.String())
}
