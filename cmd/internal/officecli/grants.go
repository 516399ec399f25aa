package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

func (c *client) grant() *cobra.Command {
	var feed, expires string
	cmd := &cobra.Command{
		Use: "grant NAME --feed PART", Short: "Make credentials by which an integrator reads a part of the feed", Args: command.Args(1, 1),
		Long: `grant prints a credentials file that every NATS client reads. It is shown this once and kept nowhere: whoever loses it gets
another grant. PART is feed.<site>.<machine>.<noun>.<verb>, with '*' for any one and '>' at the end for all that follow:

  ullage grant billing --feed 'feed.north-yard.>' > billing.creds

The integrator pulls from the consumer NAME of the stream FEED, and can do nothing else. NAME is given once, for ever.
To end a grant before its time: ullage grants --revoke NAME`,
	}
	cmd.Flags().StringVar(&feed, "feed", "", "the part of the feed, such as 'feed.north-yard.>'")
	cmd.Flags().StringVar(&expires, "expires", "365d", "for how many days")
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if feed == "" {
			return command.Wrong("%s: say which part of the feed, such as --feed 'feed.north-yard.>'", cmd.CommandPath())
		}
		days, ok := strings.CutSuffix(expires, "d")
		n, err := strconv.Atoi(days)
		if !ok || err != nil || n < 1 {
			return command.Wrong("%s: --expires %q is no number of days; one looks like 90d", cmd.CommandPath(), expires)
		}
		q, err := json.Marshal(map[string]any{"name": args[0], "feed": feed, "days": n})
		if err != nil {
			return err
		}
		b, err := c.ask(cmd.Context(), http.MethodPost, "/api/grants", nil, q)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err := cmd.OutOrStdout().Write(b)
			return err
		}
		var g struct{ Name, Expires, NATS, Stream, Consumer, Credentials string }
		if err := json.Unmarshal(b, &g); err != nil {
			return notOurs(err)
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "%s pulls from consumer %s of stream %s at %s, until %s. These credentials are shown this once:\n",
			plain(g.Name), plain(g.Consumer), plain(g.Stream), plain(g.NATS), plain(g.Expires))
		_, err = io.WriteString(cmd.OutOrStdout(), g.Credentials)
		return err
	}
	return cmd
}

func (c *client) grants() *cobra.Command {
	var name string
	cmd := c.question("grants", "Who was granted a part of the feed, and how to end it", "/api/grants", nil, grantTable)
	cmd.Long = `grants lists everybody who was ever granted a part of the feed. --revoke ends one for good, and cuts its connections.`
	cmd.Flags().StringVar(&name, "revoke", "", "name of a grant to end")
	list := cmd.RunE
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if !cmd.Flags().Changed("revoke") {
			return list(cmd, args)
		}
		if _, err := c.ask(cmd.Context(), http.MethodDelete, "/api/grants/"+url.PathEscape(name), nil, nil); err != nil {
			return err
		}
		_, err := fmt.Fprintf(cmd.ErrOrStderr(), "%s is revoked\n", plain(name))
		return err
	}
	return cmd
}

func grantTable(w io.Writer, answer []byte) error {
	type grant struct {
		Name, Feed, Made, Expires, Revoked string
		InForce                            bool `json:"in_force"`
	}
	var list struct{ Grants []grant }
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.Grants, []any{"NAME", "FEED", "MADE", "UNTIL", "STATE"}, func(g grant) []any {
		state := "in force"
		switch {
		case g.Revoked != "":
			state = "revoked " + g.Revoked
		case !g.InForce:
			state = "expired"
		}
		return []any{g.Name, g.Feed, g.Made, g.Expires, state}
	})
}
