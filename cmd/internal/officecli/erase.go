package officecli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/events"
	"ullage/events/entry"
)

func (c *client) erase() *cobra.Command {
	var ground, by string
	cmd := &cobra.Command{
		Use: "erase DIGEST or RECORD…", Short: "Erase evidence, here and on every device, for good", Args: command.Args(1, 500),
		Long: `erase makes pieces of evidence (names, long texts, pictures, signatures) unreadable for ever. They are named by their
digests (64 hexadecimal digits, as audit shows them), or by the id of a record for all that it names. The records stay,
and everything that can be checked of them: what is erased is shown as erased on that day, by whom, and on what ground.

The centre erases its copy at once, each device at its next contact, and says so; "ullage erasures" shows how far it is.
What a hold forbids is not erased. Backups hold what they held: after one is put back, the erasure is repeated before
anything is shown. There is no way back.

The ground stands in the records for ever: name no person in it. A short text (up to 80 characters) is part of its record
and cannot be erased.`,
	}
	cmd.Flags().StringVar(&ground, "ground", "", "why, such as: asked for by letter of 2 March")
	cmd.Flags().StringVar(&by, "by", "", "your staff code")
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if strings.TrimSpace(ground) == "" {
			return command.Wrong("%s: say on what ground: --ground TEXT", cmd.CommandPath())
		}
		q, err := json.Marshal(map[string]any{"what": args, "ground": ground, "by": by})
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodPost, "/api/erasures", nil, q)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err := cmd.OutOrStdout().Write(answer)
			return err
		}
		var list struct{ Erased []anErasure }
		if err := json.Unmarshal(answer, &list); err != nil {
			return notOurs(err)
		}
		for _, e := range list.Erased {
			if err := row(cmd.OutOrStdout(), e.String()); err != nil {
				return err
			}
		}
		return nil
	}
	return cmd
}

// anErasure is an order to erase a piece.
type anErasure struct {
	Evidence, On, By, Ground string
	Confirmed                []struct{ Device, On string }
	Waiting                  []string
}

func (e *anErasure) String() string {
	return fmt.Sprintf("%s erased on %s by %s: %s", e.Evidence, e.On, e.By, e.Ground)
}

// erasedIn says which evidence of a record was erased, before what is shown of it.
func erasedIn(list []anErasure) string {
	if len(list) == 0 {
		return ""
	}
	words := make([]string, len(list))
	for i, e := range list {
		words[i] = fmt.Sprintf("erased on %s by %s: %s", when(e.On), e.By, e.Ground)
	}
	return "(" + strings.Join(words, "; ") + ") "
}

func (c *client) erasures() *cobra.Command {
	cmd := c.question("erasures", "What was erased, and which devices have confirmed it", "/api/erasures", nil, erasureTable)
	cmd.Long = `erasures lists the pieces of evidence that were ordered to be erased, with day, person and ground, and which devices have
confirmed that their copy is gone. A device that is away is told at its next contact.`
	return cmd
}

func erasureTable(w io.Writer, answer []byte) error {
	var list struct {
		Erasures   []anErasure
		NotOrdered []string `json:"not_ordered"`
	}
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	for _, e := range list.Erasures {
		if err := row(w, e.String()); err != nil {
			return err
		}
		var devices []string
		for _, c := range e.Confirmed {
			devices = append(devices, fmt.Sprintf("%s on %s", c.Device, c.On))
		}
		for _, part := range []struct {
			what string
			list []string
		}{{"confirmed by", devices}, {"not yet by", e.Waiting}} {
			if len(part.list) == 0 {
				continue
			}
			if err := row(w, "  "+part.what+" "+strings.Join(part.list, ", ")); err != nil {
				return err
			}
		}
	}
	for _, d := range list.NotOrdered {
		if err := row(w, d+" was erased by a device, and nobody has ordered that"); err != nil {
			return err
		}
	}
	if len(list.Erasures) == 0 {
		return row(w, "nothing was ever ordered to be erased")
	}
	return nil
}

func (c *client) hold() *cobra.Command {
	cmd := &cobra.Command{
		Use: "hold", Short: "Forbid the erasure of evidence, as in a dispute, and allow it again",
		Long: `A hold forbids the erasure of evidence: of pieces that are named, or of all that the records of a visit, a machine or a
site name, those that are still to come as well. It stands until it is lifted.

  ullage hold place --machine nw-01 --why "dispute about the invoice of March"
  ullage hold list
  ullage hold lift --machine nw-01 --why "settled"`,
	}
	cmd.AddCommand(
		c.holding("place", "hold.placed", "Forbid the erasure of evidence", "held", "what for"),
		c.holding("lift", "hold.lifted", "Allow the erasure of evidence again", "not held any more", "why not any more"),
		c.question("list", "The holds that stand", "/api/holds", nil, holdTable),
	)
	return cmd
}

// holding makes a command that places or lifts a hold.
func (c *client) holding(use, kind, short, done, why string) *cobra.Command {
	var evidence []string
	var site, machine, visit, because, by string
	cmd := &cobra.Command{Use: use, Short: short, Args: command.Args(0, 0)}
	cmd.Flags().StringSliceVar(&evidence, "evidence", nil, "digests of pieces")
	cmd.Flags().StringVar(&visit, "visit", "", "UUID of a visit, for all that its records name")
	cmd.Flags().StringVar(&machine, "machine", "", "code of a machine, for all that its records name")
	cmd.Flags().StringVar(&site, "site", "", "code of a site, for all that its records name")
	cmd.Flags().StringVar(&because, "why", "", why+"; it stands in the records for ever: name no person")
	cmd.Flags().StringVar(&by, "by", "", "your staff code")
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		given := 0
		for _, is := range []bool{len(evidence) > 0, visit != "", machine != "", site != ""} {
			if is {
				given++
			}
		}
		if given != 1 || strings.TrimSpace(because) == "" {
			return command.Wrong("%s: say of what, by one of --evidence, --visit, --machine, --site, and --why TEXT", cmd.CommandPath())
		}
		body := map[string]any{"why": because}
		if len(evidence) > 0 {
			names := make([]string, len(evidence))
			for i, d := range evidence {
				digest, err := events.ParseHash(strings.TrimPrefix(d, "evidence:"))
				if err != nil {
					return command.Wrong("%s: %w", cmd.CommandPath(), err)
				}
				names[i] = entry.FormatEvidence(digest)
			}
			body["evidence"] = names
		}
		if _, err := events.ParseRecordID(visit); visit != "" && err != nil {
			return command.Wrong("%s: --visit %q is no UUID of a visit, such as audit shows", cmd.CommandPath(), visit)
		}
		line := map[string]any{"kind": kind, "body": body}
		for name, value := range map[string]string{"site": site, "machine": machine, "visit": visit, "by": by} {
			if value != "" {
				line[name] = value
			}
		}
		b, err := json.Marshal(line)
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodPost, "/api/records", nil, b)
		if err != nil {
			return err
		}
		var said struct {
			Flags []string `json:"flags"`
		}
		if err := json.Unmarshal(answer, &said); err != nil {
			return notOurs(err)
		}
		for _, f := range said.Flags {
			switch f {
			case "already-erased":
				err = errors.Join(err, row(cmd.ErrOrStderr(), "some of it was erased before; that does not come back"))
			case "nothing-there":
				err = errors.Join(err, row(cmd.ErrOrStderr(), "no record is there yet; what comes will be held. Was the code meant?"))
			}
		}
		if *asJSON {
			_, e := cmd.OutOrStdout().Write(answer)
			return errors.Join(err, e)
		}
		return errors.Join(err, row(cmd.OutOrStdout(), done))
	}
	return cmd
}

func holdTable(w io.Writer, answer []byte) error {
	var list struct {
		Holds []struct {
			Evidence            []string
			Visit               *string
			Machine, Site       string
			Why, On, By, Record string
		}
	}
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	for _, h := range list.Holds {
		about := strings.Join(h.Evidence, ", ")
		switch {
		case about != "":
		case h.Visit != nil:
			about = "visit " + *h.Visit
		case h.Machine != "":
			about = "machine " + h.Machine
		default:
			about = "site " + h.Site
		}
		if err := row(w, fmt.Sprintf("%s, since %s, by %s: %s", about, h.On, h.By, h.Why)); err != nil {
			return err
		}
	}
	if len(list.Holds) == 0 {
		return row(w, "no hold stands")
	}
	return nil
}
