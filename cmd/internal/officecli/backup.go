package officecli

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"

	"ullage/syncd/office"
)

// Backup has the centre that runs in a folder write a backup.
func Backup(ctx context.Context, dir string, to io.Writer) error {
	c := &client{dir: dir, stderr: io.Discard}
	body, err := c.do(ctx, http.MethodGet, "/api/backup", nil, nil)
	if err != nil {
		return err
	}
	_, err = io.Copy(to, body)
	return errors.Join(err, body.Close())
}

// Check has the centre that runs in a folder look after itself.
func Check(ctx context.Context, dir string) ([]office.Finding, error) {
	c := &client{dir: dir, stderr: io.Discard}
	b, err := c.ask(ctx, http.MethodGet, "/api/check", nil, nil)
	if err != nil {
		return nil, err
	}
	var answer struct{ Findings []office.Finding }
	if err := json.Unmarshal(b, &answer); err != nil {
		return nil, notOurs(err)
	}
	return answer.Findings, nil
}
