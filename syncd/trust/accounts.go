package trust

import (
	"fmt"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
)

// Operator is who signed the accounts; the broker trusts nobody else.
func (t *Trust) Operator() *jwt.OperatorClaims { return t.operator }

// OperatorToken is Operator as servers read it from a file.
func (t *Trust) OperatorToken() string { return t.operatorToken }

// Accounts are the public keys of all accounts; AccountResolver has their claims.
func (t *Trust) Accounts() []string {
	all := []string{t.SystemAccount(), t.CentreAccount(), t.DevicesAccount(), t.FeedAccount()}
	for _, g := range t.Grants() {
		all = append(all, g.Account)
	}
	return all
}

// SignAccount signs the claims of an account, as servers take them.
func (t *Trust) SignAccount(c *jwt.AccountClaims) (string, error) {
	token, err := c.Encode(t.keys.operator)
	if err != nil {
		return "", fmt.Errorf("account %s: %w", c.Name, err)
	}
	return token, nil
}

// AccountResolver knows the accounts, always as they stand now.
func (t *Trust) AccountResolver() server.AccountResolver { return t.resolver }

// SystemAccount is the public key of SYS.
func (t *Trust) SystemAccount() string { return t.keys.system.public }

// CentreAccount is the public key of CENTRE, in which the streams are.
func (t *Trust) CentreAccount() string { return t.keys.centre.public }

// DevicesAccount is the public key of DEVICES.
func (t *Trust) DevicesAccount() string { return t.keys.devices.public }

// FeedAccount is the public key of FEED, in which the stream for integrators is.
func (t *Trust) FeedAccount() string { return t.keys.feed.public }

func (t *Trust) makeAccounts() error {
	op := jwt.NewOperatorClaims(t.keys.operator.public)
	op.Name = "ullage"
	op.SystemAccount = t.keys.system.public
	var err error
	if t.operatorToken, err = op.Encode(t.keys.operator); err != nil {
		return fmt.Errorf("operator: %w", err)
	}
	if t.operator, err = jwt.DecodeOperatorClaims(t.operatorToken); err != nil {
		return fmt.Errorf("operator: %w", err)
	}

	centre := account("CENTRE", t.keys.centre)
	centre.Limits.JetStreamLimits = jwt.JetStreamLimits{
		MemoryStorage: jwt.NoLimit, DiskStorage: jwt.NoLimit, Streams: jwt.NoLimit, Consumer: jwt.NoLimit,
	}
	all := []*jwt.AccountClaims{account("SYS", t.keys.system), centre, t.devicesClaims(), t.feedClaims()}
	for _, g := range t.grants {
		all = append(all, t.grantClaims(g))
	}
	for _, c := range all {
		if _, err := t.store(c); err != nil {
			return err
		}
	}
	return nil
}

// account is a room without doors, in which a user without permissions of its own may do nothing.
func account(name string, key pair) *jwt.AccountClaims {
	c := jwt.NewAccountClaims(key.public)
	c.Name = name
	c.Limits.AccountLimits = jwt.AccountLimits{Conn: jwt.NoLimit, DisallowBearer: true}
	c.DefaultPermissions.Pub.Deny.Add(">")
	c.DefaultPermissions.Sub.Deny.Add(">")
	return c
}

// ever is the end of a revocation. Credentials carry the time of their making by this machine's clock, which may have
// been wrong; a revoked key is revoked whenever it was made.
var ever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// devicesClaims needs mu held.
func (t *Trust) devicesClaims() *jwt.AccountClaims {
	c := account("DEVICES", t.keys.devices)
	for _, d := range t.devices {
		if d.Revoked {
			c.RevokeAt(d.Conn, ever)
		}
	}
	return c
}

// store signs the claims and hands them to the resolver.
func (t *Trust) store(c *jwt.AccountClaims) (*jwt.AccountClaims, error) {
	token, err := t.SignAccount(c)
	if err != nil {
		return nil, err
	}
	signed, err := jwt.DecodeAccountClaims(token)
	if err != nil {
		return nil, fmt.Errorf("account %s: %w", c.Name, err)
	}
	return signed, t.resolver.Store(c.Subject, token)
}
