package officecli

import (
	"context"
	"errors"
	"io"
	"net/http"
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
