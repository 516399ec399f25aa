package agent

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"ullage/events/wire"
)

// pull fetches what the centre has for this device until there is no more.
func (s *session) pull(ctx context.Context) error {
	for {
		q := s.copies.standing()
		a, err := s.ask(ctx, wire.Pull, 2*s.cfg.Answer, func(string) []byte { return q.Encode() })
		if err != nil {
			return err
		}
		if a.Status != wire.OK {
			return unexpected(wire.Pull, a)
		}
		p, err := wire.DecodePullAnswer(a.Body)
		if err != nil {
			return err
		}
		if err := s.learn(p.Gates); err != nil {
			return err
		}
		odd, err := s.copies.take(p)
		if err != nil {
			return fmt.Errorf("keep what was pulled: %w", err)
		}
		if odd > 0 {
			s.cfg.Log.Warn("the centre sent records that this version cannot read", "records", odd)
		}
		if len(p.Records) > 0 || p.Reset || len(p.Drop) > 0 {
			s.loop.progressed()
			s.registerChanged()
		}
		if !p.More {
			return nil
		}
		if stand := s.copies.standing(); !p.Reset && len(p.Records) == 0 && stand.Place == q.Place && slices.Equal(stand.Copies, q.Copies) {
			return errors.New("pull: the centre says that there is more, and gives nothing")
		}
	}
}
