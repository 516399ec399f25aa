package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

func (c *client) alarms() *cobra.Command {
	var name, by string
	cmd := c.question("alarms", "What is wrong at the centre and waits for somebody to know of it", "/api/alarms", nil, alarmTable)
	cmd.Long = `alarms lists what must not be missed, with what to do about it; --json shows what proves it too. An alarm stays open, and
every command says so, until what it tells of has come right, where the centre can see that (records that are there again), or until
somebody acknowledges it by its name.`
	cmd.Flags().StringVar(&name, "acknowledge", "", "name of an alarm that you know of now")
	cmd.Flags().StringVar(&by, "by", "", "your staff code")
	list := cmd.RunE
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if (name == "") != (by == "") {
			return command.Wrong("%s: --acknowledge NAME and --by CODE go together", cmd.CommandPath())
		}
		if name == "" {
			return list(cmd, args)
		}
		q, err := json.Marshal(map[string]string{"name": name, "by": by})
		if err != nil {
			return err
		}
		if _, err := c.ask(cmd.Context(), http.MethodPost, "/api/alarms", nil, q); err != nil {
			return err
		}
		_, err = fmt.Fprintf(cmd.ErrOrStderr(), "%s is acknowledged by %s\n", plain(name), plain(by))
		return err
	}
	return cmd
}

func alarmTable(w io.Writer, answer []byte) error {
	var list struct {
		Alarms []struct {
			Name, What, Do, Since, Acknowledged, By, Over, How string
		}
	}
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	for _, a := range list.Alarms {
		state := "open"
		if a.Acknowledged != "" {
			state = fmt.Sprintf("acknowledged %s by %s", a.Acknowledged, a.By)
		}
		if a.Over != "" {
			state = fmt.Sprintf("over since %s: %s", a.Over, a.How)
		}
		if err := row(w, fmt.Sprintf("%s, since %s, %s", a.Name, a.Since, state)); err != nil {
			return err
		}
		if err := row(w, "  "+a.What); err != nil {
			return err
		}
		if err := row(w, "  do: "+a.Do); err != nil {
			return err
		}
	}
	if len(list.Alarms) == 0 {
		return row(w, "no alarm was ever raised")
	}
	return nil
}
