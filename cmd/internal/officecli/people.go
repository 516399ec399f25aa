package officecli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

// group makes a command that only holds others.
func group(use, short, long string, of ...*cobra.Command) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Long: long, RunE: func(cmd *cobra.Command, args []string) error {
		if len(args) > 0 {
			return command.Wrong("there is no command %q; %s --help lists them", args[0], cmd.CommandPath())
		}
		return command.Wrong("say what to do: %s --help lists it", cmd.CommandPath())
	}}
	cmd.AddCommand(of...)
	return cmd
}

// order makes a command that has the centre do something, and then says in words that it is done.
func (c *client) order(use, short string, args int, request func(cmd *cobra.Command, args []string) (method, path string, body any, err error), done string) *cobra.Command {
	return &cobra.Command{Use: use, Short: short, Args: command.Args(args, args), RunE: func(cmd *cobra.Command, args []string) error {
		method, path, body, err := request(cmd, args)
		if err != nil {
			return err
		}
		var b []byte
		if body != nil {
			if b, err = json.Marshal(body); err != nil {
				return err
			}
		}
		if _, err := c.ask(cmd.Context(), method, path, nil, b); err != nil {
			return err
		}
		_, err = fmt.Fprintf(cmd.ErrOrStderr(), done+"\n", plain(args[0]))
		return err
	}}
}

func (c *client) person() *cobra.Command {
	var role, file string
	passwordFlag := func(cmd *cobra.Command) *cobra.Command {
		cmd.Flags().StringVar(&file, "password-file", "", "file whose one line is the password; - is standard input")
		return cmd
	}
	add := passwordFlag(c.order("add NAME --role R", "Let somebody sign in", 1, func(cmd *cobra.Command, args []string) (string, string, any, error) {
		password, err := newPassword(cmd, file)
		return http.MethodPost, "/api/people", map[string]string{"name": args[0], "role": role, "password": password}, err
	}, "%s can sign in at the office's pages."))
	add.Flags().StringVar(&role, "role", "", "auditor (reads), office (records and enrols too) or admin (people and tokens too)")
	if err := add.MarkFlagRequired("role"); err != nil {
		panic("officecli: " + err.Error()) // it is our own flag
	}
	password := passwordFlag(c.order("password NAME", "Give somebody another password; ends their visits", 1, func(cmd *cobra.Command, args []string) (string, string, any, error) {
		password, err := newPassword(cmd, file)
		return http.MethodPost, "/api/people/" + url.PathEscape(args[0]) + "/password", map[string]string{"password": password}, err
	}, "%s has another password, and must sign in anew."))
	setRole := c.order("role NAME ROLE", "Give somebody another role; ends their visits", 2, func(_ *cobra.Command, args []string) (string, string, any, error) {
		return http.MethodPost, "/api/people/" + url.PathEscape(args[0]) + "/role", map[string]string{"role": args[1]}, nil
	}, "%s has another role, and must sign in anew.")
	remove := c.order("remove NAME", "Let somebody sign in no more; ends their visits", 1, func(_ *cobra.Command, args []string) (string, string, any, error) {
		return http.MethodDelete, "/api/people/" + url.PathEscape(args[0]), nil, nil
	}, "%s is out, and can sign in no more.")
	return group("person", "People who sign in at the office's pages", `person says who may sign in at the office's pages, and as what. A role may do what those before it may:

  auditor   reads
  office    records, enrols devices, acknowledges alarms
  admin     people and tokens

A password has at least 12 characters, of whatever kind. It is asked for twice at the terminal, which does not show it.
Whoever may read the centre's folder is an admin anyway, by the token in it.`,
		add, c.question("list", "Who may sign in", "/api/people", nil, peopleTable), setRole, password, remove)
}

// newPassword takes a password from a file, or asks for it twice.
func newPassword(cmd *cobra.Command, file string) (string, error) {
	if file != "" {
		b, err := command.SecretFile(file, cmd.InOrStdin())
		return asPassword(b, err)
	}
	first, err := askSecret(cmd, "Password: ")
	if err != nil {
		return "", err
	}
	second, err := askSecret(cmd, "Once more: ")
	if err != nil {
		return "", err
	}
	if !bytes.Equal(first, second) {
		return "", errors.New("the two are not the same; nothing was changed")
	}
	return asPassword(first, nil)
}

func askSecret(cmd *cobra.Command, prompt string) ([]byte, error) {
	b, err := command.Secret(cmd.Context(), cmd.InOrStdin(), cmd.ErrOrStderr(), prompt)
	if errors.Is(err, command.ErrNoTerminal) {
		return nil, command.Wrong("%s: there is no terminal to ask for the password; give --password-file F, or - for standard input", cmd.CommandPath())
	}
	return b, err
}

// asPassword takes text only: JSON would change other bytes without a word.
func asPassword(b []byte, err error) (string, error) {
	if err == nil && strings.ToValidUTF8(string(b), "") != string(b) {
		err = errors.New("the password is not text in UTF-8")
	}
	return string(b), err
}

func peopleTable(w io.Writer, answer []byte) error {
	var list struct {
		People []struct{ Name, Role, Since string } `json:"people"`
	}
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.People, []any{"NAME", "ROLE", "SINCE"}, func(p struct{ Name, Role, Since string }) []any {
		return []any{p.Name, p.Role, when(p.Since)}
	})
}

type tokenRow struct {
	Name, Role, Expires, By string
	Areas                   []string
	Expired                 bool
}

func (c *client) tokens() *cobra.Command {
	revoke := c.order("revoke NAME", "End a token at once", 1, func(_ *cobra.Command, args []string) (string, string, any, error) {
		return http.MethodDelete, "/api/tokens/" + url.PathEscape(args[0]), nil, nil
	}, "the token %s lets nobody in any more.")
	return group("token", "Tokens that let programs in", `token makes what a program shows to the office's API (--token-file, or the header "Authorization: Bearer TOKEN").
It has a role as people have, an end, and, where it is given --area, is good for those areas of the API only. The part of
a path behind /api/ is its area: machine, ledger, audit, …

  ullage token make billing --role auditor --area ledger --area audit --days 90 > billing.token`,
		c.makeToken(), c.question("list", "Tokens that were not revoked", "/api/tokens", nil, tokenTable), revoke)
}

func (c *client) makeToken() *cobra.Command {
	var q struct {
		Name  string   `json:"name"`
		Role  string   `json:"role"`
		Areas []string `json:"areas"`
		Days  int      `json:"days"`
	}
	cmd := &cobra.Command{
		Use: "make NAME --role R --days N", Short: "Make a token and print it, once", Args: command.Args(1, 1),
		Long: "make prints a token. It is not kept at the centre and cannot be shown again.",
	}
	cmd.Flags().StringVar(&q.Role, "role", "", "auditor, office or admin")
	cmd.Flags().StringArrayVar(&q.Areas, "area", nil, "area of the API that it is good for; again for more; left out: all")
	cmd.Flags().IntVar(&q.Days, "days", 0, "days until it runs out, at most 400")
	asJSON := withJSON(cmd, "print JSON")
	for _, name := range []string{"role", "days"} {
		if err := cmd.MarkFlagRequired(name); err != nil {
			panic("officecli: " + err.Error()) // it is our own flag
		}
	}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q.Name = args[0]
		b, err := json.Marshal(q)
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodPost, "/api/tokens", nil, b)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err := cmd.OutOrStdout().Write(answer)
			return err
		}
		var made struct{ Token, Expires string }
		if err := json.Unmarshal(answer, &made); err != nil {
			return notOurs(err)
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "Keep it where nobody else reads it; it is not shown again. It runs out at %s.\n", when(made.Expires))
		_, err = fmt.Fprintln(cmd.OutOrStdout(), made.Token)
		return err
	}
	return cmd
}

func tokenTable(w io.Writer, answer []byte) error {
	var list struct {
		Tokens []tokenRow `json:"tokens"`
	}
	if err := json.Unmarshal(answer, &list); err != nil {
		return notOurs(err)
	}
	return rows(w, list.Tokens, []any{"NAME", "ROLE", "AREAS", "EXPIRES", "BY"}, func(t tokenRow) []any {
		areas, expires := "all", when(t.Expires)
		if len(t.Areas) > 0 {
			areas = strings.Join(t.Areas, ", ")
		}
		if t.Expired {
			expires = "ran out " + expires
		}
		return []any{t.Name, t.Role, areas, expires, t.By}
	})
}

// accessAnswer is what the centre says of its access journal.
type accessAnswer struct {
	Lines []struct {
		N                                        uint64
		At, Act, Who, From, Through, About, Note string
		Digests                                  []string
	} `json:"lines"`
	LeftOut int `json:"left_out"`
	Broken  []struct {
		Line uint64
		Why  string
	} `json:"broken"`
	Size int64 `json:"size"`
	Last struct {
		N    uint64
		Hash string
	} `json:"last"`
}

func (c *client) access() *cobra.Command {
	cmd := &cobra.Command{
		Use: "access", Short: "Who came in, who was refused, and who read which evidence", Args: command.Args(0, 0),
		Long: `access shows the access journal and checks that none of its lines was changed, taken out or put in; the exit status
is 1 where one was. It says the number and the hash of the last line: note them somewhere else now and then, for a journal
that still has that line with that hash is whole up to it. Of the lines that fit, the newest 10,000 are shown.`,
	}
	query := questionFlags(cmd, "since", "by")
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		q, err := query()
		if err != nil {
			return err
		}
		b, err := c.ask(cmd.Context(), http.MethodGet, "/api/access", q, nil)
		if err != nil {
			return err
		}
		var answer accessAnswer
		if err := json.Unmarshal(b, &answer); err != nil {
			return notOurs(err)
		}
		if *asJSON {
			if _, err := cmd.OutOrStdout().Write(b); err != nil {
				return err
			}
		} else if err := accessTable(cmd.OutOrStdout(), cmd.ErrOrStderr(), answer); err != nil {
			return err
		}
		for _, x := range answer.Broken {
			fmt.Fprintf(cmd.ErrOrStderr(), "CHANGED: line %d: %s\n", x.Line, plain(x.Why))
		}
		if len(answer.Broken) > 0 {
			return errors.New("the access journal is not as it was written")
		}
		return nil
	}
	return cmd
}

func accessTable(out, words io.Writer, answer accessAnswer) error {
	w := tabwriter.NewWriter(out, 2, 8, 2, ' ', 0)
	if err := row(w, "LINE", "AT", "WHO", "FROM", "WHAT", "ABOUT", "THROUGH"); err != nil {
		return err
	}
	for _, l := range answer.Lines {
		what, who := l.Act, l.Who
		if len(l.Digests) > 0 {
			what = fmt.Sprintf("%s: %d", what, len(l.Digests))
		}
		if l.Note != "" {
			what += ", " + l.Note
		}
		if who == "" {
			who = "-"
		}
		if err := row(w, l.N, when(l.At), who, l.From, what, l.About, l.Through); err != nil {
			return err
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if answer.LeftOut > 0 {
		fmt.Fprintf(words, "%d older lines are not shown; --since and --by narrow it.\n", answer.LeftOut)
	}
	_, err := fmt.Fprintf(words, "The journal has %d lines in %d bytes; its last line has the hash %s.\n", answer.Last.N, answer.Size, plain(answer.Last.Hash))
	return err
}
