package office

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"ullage/events"
	"ullage/events/wire"
	"ullage/syncd/trust"
	"ullage/syncd/trust/access"
)

// Grants are how integrators are let in to the feed.
type Grants struct {
	Address func() string // where they connect
	List    func() []trust.Grant
	Make    func(context.Context, trust.GrantRequest) (trust.Grant, []byte, error)
	Revoke  func(ctx context.Context, name string) error
}

// grant is a row of the list.
type grant struct {
	Name    events.DeviceID `json:"name"`
	Feed    string          `json:"feed"`
	Made    string          `json:"made"`
	Expires string          `json:"expires"`
	Revoked *string         `json:"revoked"` // null: it is not
	InForce bool            `json:"in_force"`
}

func grantOf(g trust.Grant) grant {
	row := grant{g.Name, g.Filter, g.Made.Format(0), g.Expires.Format(0), nil, g.InForce(time.Now())}
	if g.Revoked != 0 {
		at := g.Revoked.Format(0)
		row.Revoked = &at
	}
	return row
}

// getGrants answers with all that were ever made, by name.
func (s *Server) getGrants(*http.Request, question) (any, error) {
	rows := []grant{}
	for _, g := range s.cfg.Grants.List() {
		rows = append(rows, grantOf(g))
	}
	return map[string]any{"grants": rows}, nil
}

// postGrant makes a grant; the answer is the one time that its credentials are shown.
func (s *Server) postGrant(r *http.Request) (any, error) {
	var q struct {
		Name string `json:"name"`
		Feed string `json:"feed"`
		Days int    `json:"days"`
	}
	if err := readBody(r, &q, `{"name":"billing","feed":"feed.north-yard.>","days":90}`); err != nil {
		return nil, err
	}
	if err := events.CheckIdentifier(q.Name); err != nil {
		return nil, bad("name: %w", err)
	}
	if err := wire.CheckFeedFilter(q.Feed); err != nil {
		return nil, bad("feed: %w", err)
	}
	if most := int(trust.MaxGrantLife / (24 * time.Hour)); q.Days < 1 || q.Days > most {
		return nil, bad("days: %d; a credential holds for 1 to %d days", q.Days, most)
	}
	var answer any
	_, err := s.change(r, access.GrantMade, q.Name, fmt.Sprintf("%s, %d days", q.Feed, q.Days), func() error {
		g, credentials, err := s.cfg.Grants.Make(r.Context(), trust.GrantRequest{Name: q.Name, Filter: q.Feed, Life: time.Duration(q.Days) * 24 * time.Hour})
		if errors.Is(err, trust.ErrName) || errors.Is(err, trust.ErrGrantRoom) {
			return asked{http.StatusConflict, err}
		}
		answer = map[string]any{
			"name": g.Name, "feed": g.Filter, "expires": g.Expires.Format(0),
			"nats": s.cfg.Grants.Address(), "stream": wire.Feed.Name, "consumer": g.Name, "credentials": string(credentials),
		}
		return err
	})
	return answer, err
}

func (s *Server) deleteGrant(r *http.Request) (any, error) {
	name := r.PathValue("name")
	if err := events.CheckIdentifier(name); err != nil {
		return nil, asked{http.StatusNotFound, fmt.Errorf("%w: %.64q", trust.ErrGrant, name)}
	}
	return s.change(r, access.GrantRevoked, name, "", func() error {
		err := s.cfg.Grants.Revoke(r.Context(), name)
		if errors.Is(err, trust.ErrGrant) {
			return asked{http.StatusNotFound, err}
		}
		return err
	})
}
