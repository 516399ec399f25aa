package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

// fork are the commands about devices of which two copies write.
func (c *client) fork() *cobra.Command {
	return group("fork", "Devices of which two copies write", `Where two copies of a device's folder both write, nothing more is taken under its name. What either copy holds is kept
whole, and from the record where the two part none of it counts until you settle which branch does. Each copy goes on writing
under a name of its own, which counts once you have let it in.`,
		c.question("list", "The branches of devices that have forked, and by which names their copies go on", "/api/forks", nil, forkTable), c.settle(), c.letIn())
}

func (c *client) settle() *cobra.Command {
	cmd := &cobra.Command{
		Use: "settle DEVICE --branch BRANCH --why TEXT", Short: "Say which branch of a device counts", Args: command.Args(1, 1),
		Long: `settle says which branch counts behind the record where the copies of a device part: every page and every figure is then as if
only that one had been written. The other stays kept, shows in the audit as held, and can be let count instead by giving this
command again. With --undo neither counts, until you settle it anew. What was shown before is told in the list of changes.`,
		Example: `  ullage fork list
  ullage fork settle tab-1 --branch 41-0a1b2c3d --why "the tablet that was in use" --by O1
  ullage fork settle tab-1 --undo --why "it was the other one" --by O1`,
	}
	branch := cmd.Flags().String("branch", "", "the branch that counts, as fork list names it")
	undo := cmd.Flags().Bool("undo", false, "take back what was settled")
	asJSON := withJSON(cmd, "print JSON")
	body := decisionFlags(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if (*branch == "") != *undo {
			return command.Wrong("%s: give --branch with the branch that counts, or --undo", cmd.CommandPath())
		}
		fields := map[string]any{"device": args[0]}
		if *undo {
			fields["undo"] = true
		} else {
			fields["branch"] = *branch
		}
		q, err := body(fields)
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodPost, "/api/forks", nil, q)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err = cmd.OutOrStdout().Write(answer)
			return err
		}
		var a struct{ Undone int }
		if err := json.Unmarshal(answer, &a); err != nil {
			return notOurs(err)
		}
		words := cmd.ErrOrStderr()
		switch {
		case !*undo:
			fmt.Fprintf(words, "branch %s of %s counts, and no other\n", plain(*branch), plain(args[0]))
		case a.Undone == 0:
			fmt.Fprintf(words, "nothing was settled about %s\n", plain(args[0]))
		default:
			fmt.Fprintf(words, "taken back: no branch of %s counts until you settle it\n", plain(args[0]))
		}
		return nil
	}
	return cmd
}

func (c *client) letIn() *cobra.Command {
	cmd := &cobra.Command{
		Use: "let-in NAME --why TEXT", Short: "Let in the name by which a copy of a forked device goes on", Args: command.Args(1, 1),
		Long: `let-in enrols the name by which a copy of a forked device goes on. Look first at who has that copy: the name asks by the key of
the device that has forked, and so would a thief's. If the command fails, give it again.`,
		Example: `  ullage fork let-in tab-1-0a1b2c3d --why "the tablet in the depot" --by O1`,
	}
	return c.decides(cmd, "/api/heirs", "is let in")
}

func forkTable(w io.Writer, answer []byte) error {
	type branch struct {
		Branch, State         string
		From, To, Records     uint64
		First, Last, Received *string
	}
	type heir struct {
		Device, Parent string
		Waits          bool
	}
	var list struct {
		Forks []struct {
			Device   string
			Branches []branch
		}
		Heirs []heir
	}
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	type row struct {
		device string
		branch
	}
	var branches []row
	for _, f := range list.Forks {
		for _, b := range f.Branches {
			branches = append(branches, row{f.Device, b})
		}
	}
	states := map[string]string{"stands": "counts", "overruled": "does not count: another does", "waits": "waits for you"}
	err := rows(w, branches, []any{"device", "branch", "records", "from", "to", "first", "last", "received", "state"}, func(r row) []any {
		return []any{r.device, r.Branch, r.Records, r.From, r.To, orDash(r.First), orDash(r.Last), orDash(r.Received), states[r.State]}
	})
	if err != nil || len(list.Heirs) == 0 {
		return err
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return err
	}
	return rows(w, list.Heirs, []any{"device", "goes on from", "state"}, func(h heir) []any {
		state := "may write"
		if h.Waits {
			state = "waits for you"
		}
		return []any{h.Device, h.Parent, state}
	})
}
