package officecli

import (
	"encoding/json"
	"io"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

// fork are the commands about devices of which two copies write.
func (c *client) fork() *cobra.Command {
	return group("fork", "Devices of which two copies write", `Where two copies of a device's folder both write, nothing more is taken under its name. What either copy holds is set aside
whole (ullage aside), and each goes on writing under a name of its own, which counts once you have let it in.`,
		c.question("list", "By which names copies go on, and which of them wait for you", "/api/heirs", nil, heirTable), c.letIn())
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

func heirTable(w io.Writer, answer []byte) error {
	type heir struct {
		Device, Parent string
		Waits          bool
	}
	var list struct{ Heirs []heir }
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.Heirs, []any{"device", "goes on from", "state"}, func(h heir) []any {
		state := "may write"
		if h.Waits {
			state = "waits for you"
		}
		return []any{h.Device, h.Parent, state}
	})
}
