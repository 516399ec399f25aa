package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

// fleet are the commands about devices: which there are, which may not write any more, and what of theirs counts.
func (c *client) fleet() []*cobra.Command {
	devices := c.question("devices", "The devices: since when, how far received, which are revoked and why, of which two copies write", "/api/devices", nil, devicesTable)
	aside := c.question("aside", "What revoked devices still brought, and waits for a decision", "/api/aside", nil, asideTable)
	aside.Long = `aside lists the pushes of revoked devices that came too late: they are verified, kept, and count for nothing. What of them
should count after all is let in with: ullage admit DEVICE`
	held := c.question("held", "Records that are kept and do not count, and why", "/api/held", []string{"device"}, heldTable)
	held.Long = `held lists records that have not the form of their kind, that their device may not write, that came from a revoked device,
or that are of a branch of a device that has forked which does not stand. One of them is let in with: ullage admit DEVICE/SEQ;
which branch stands you settle with: ullage fork settle DEVICE`
	return []*cobra.Command{devices, c.revoke(), aside, held, c.admit(), c.fork()}
}

// decisionFlags are why and by whom the office decides.
func decisionFlags(cmd *cobra.Command) (read func(fields map[string]any) ([]byte, error)) {
	why := cmd.Flags().String("why", "", "why; it is recorded")
	by := cmd.Flags().String("by", "", "your staff code")
	return func(fields map[string]any) ([]byte, error) {
		if *why == "" {
			return nil, command.Wrong("%s: --why must say why; it is recorded", cmd.CommandPath())
		}
		fields["why"] = *why
		if *by != "" {
			fields["by"] = *by
		}
		return json.Marshal(fields)
	}
}

// decides gives a command about one device its flags, and what it does: it asks at path, and says what is done.
func (c *client) decides(cmd *cobra.Command, path, done string) *cobra.Command {
	asJSON := withJSON(cmd, "print JSON")
	body := decisionFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q, err := body(map[string]any{"device": args[0]})
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodPost, path, nil, q)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err = cmd.OutOrStdout().Write(answer)
			return err
		}
		_, err = fmt.Fprintf(cmd.ErrOrStderr(), "%s %s\n", plain(args[0]), done)
		return err
	}
	return cmd
}

func (c *client) revoke() *cobra.Command {
	cmd := &cobra.Command{
		Use: "revoke DEVICE --why TEXT", Short: "Shut a device out, at once and for good", Args: command.Args(1, 1),
		Long: `revoke cuts a device off and takes nothing more from it as received. What was received before stays valid. What the device
still holds it hands over, once it can; that is set aside (ullage aside) until you let it in (ullage admit).

A device that was revoked in error is enrolled anew, under another name. If the command fails, give it again.`,
		Example: `  ullage revoke tab-1 --why "stolen from the van" --by O1`,
	}
	return c.decides(cmd, "/api/revoke", "is revoked and cut off")
}

func (c *client) admit() *cobra.Command {
	var to uint64
	cmd := &cobra.Command{
		Use: "admit DEVICE[/SEQ] --why TEXT", Short: "Let in what was set aside of a device, or one record that is held", Args: command.Args(1, 1),
		Long: `admit lets in, in order, what a revoked device brought after it was revoked: all of it, or up to the record --to. Records that
would be held from any device stay held. With DEVICE/SEQ it lets in that one held record.

If the command fails, give it again: nothing is let in twice.`,
		Example: `  ullage admit tab-1 --why "found again, untouched" --by O1
  ullage admit tab-1/207 --why "checked with the technician"`,
	}
	asJSON := withJSON(cmd, "print JSON")
	body := decisionFlags(cmd)
	cmd.Flags().Uint64Var(&to, "to", 0, "number of the last record that counts; left out: all of them")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		fields := map[string]any{"device": args[0]}
		if device, number, one := strings.Cut(args[0], "/"); one {
			seq, err := strconv.ParseUint(number, 10, 63)
			if err != nil || seq == 0 || cmd.Flags().Changed("to") {
				return command.Wrong("%s: one record is named as DEVICE/SEQ, such as tab-1/207, without --to", cmd.CommandPath())
			}
			fields["device"], fields["seq"] = device, seq
		}
		if cmd.Flags().Changed("to") {
			if to == 0 {
				return command.Wrong("%s: records are numbered from 1; --to names the last that counts", cmd.CommandPath())
			}
			fields["to"] = to
		}
		q, err := body(fields)
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodPost, "/api/admit", nil, q)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err = cmd.OutOrStdout().Write(answer)
			return err
		}
		var a struct {
			Admitted, Before int
			Held             []heldRecord
		}
		if err := json.Unmarshal(answer, &a); err != nil {
			return notOurs(err)
		}
		words := cmd.ErrOrStderr()
		fmt.Fprintf(words, "%d records are let in\n", a.Admitted)
		if a.Before > 0 {
			fmt.Fprintf(words, "%d were let in before\n", a.Before)
		}
		for _, h := range a.Held {
			fmt.Fprintf(words, "%s/%d stays held: %s\n", plain(h.Device), h.Seq, plain(h.Why))
		}
		return nil
	}
	return cmd
}

func devicesTable(w io.Writer, answer []byte) error {
	type device struct {
		Device, Key, Why            string
		Office, Forked              bool
		Records                     uint64
		Enrolled, Received, Revoked *string
	}
	var list struct{ Devices []device }
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.Devices, []any{"device", "enrolled", "received", "last received", "key", "state"}, func(d device) []any {
		state := "may write"
		switch {
		case d.Revoked != nil:
			state = fmt.Sprintf("revoked %s: %s", *d.Revoked, d.Why)
		case d.Office:
			state = "the office's own"
		case d.Forked:
			state = "two copies of it write: nothing more is taken under this name"
		}
		return []any{d.Device, orDash(d.Enrolled), d.Records, orDash(d.Received), d.Key[:min(16, len(d.Key))], state}
	})
}

func orDash(s *string) string {
	if s == nil {
		return "-"
	}
	return *s
}

func asideTable(w io.Writer, answer []byte) error {
	type push struct {
		Device, Received, Why string
		From, To              uint64
		Admitted              bool
	}
	var list struct{ Aside []push }
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.Aside, []any{"device", "records", "from", "to", "received", "state", "why"}, func(p push) []any {
		state := "waits"
		if p.Admitted {
			state = "let in"
		}
		return []any{p.Device, p.To - p.From + 1, p.From, p.To, p.Received, state, p.Why}
	})
}

type heldRecord struct {
	Device, Kind, Why string
	Seq               uint64
	Received          *string
}

func heldTable(w io.Writer, answer []byte) error {
	var list struct{ Held []heldRecord }
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.Held, []any{"record", "kind", "received", "why"}, func(h heldRecord) []any {
		return []any{fmt.Sprintf("%s/%d", h.Device, h.Seq), h.Kind, orDash(h.Received), h.Why}
	})
}
