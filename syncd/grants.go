package syncd

import (
	"context"

	"ullage/syncd/office"
	"ullage/syncd/trust"
)

// grants are how the office lets integrators in: the keys of one, and a consumer in the feed, made and ended together.
func (c *Centre) grants() office.Grants {
	return office.Grants{
		Address: c.broker.ClientURL,
		List:    c.trust.Grants,
		Make: func(ctx context.Context, q trust.GrantRequest) (trust.Grant, []byte, error) {
			return c.trust.NewGrant(q, func(g trust.Grant) error { return c.broker.Admit(ctx, g) })
		},
		Revoke: func(ctx context.Context, name string) error {
			g, claims, err := c.trust.RevokeGrant(name)
			if claims == nil {
				return err
			}
			if cut := c.broker.EndGrant(ctx, g.Name, claims); cut != nil {
				return cut
			}
			return err
		},
	}
}
