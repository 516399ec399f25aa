// Package officecli is the command line of the office: it asks a running centre over HTTP and prints what it says.
package officecli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

const about = `ullage asks a running centre and prints what it answers.

  ullage demo                                   the whole job on an invented company; begin here
  ullage record --dir D register.ndjson         enter the register, rounds and decisions
  ullage enrol --dir D tab-1                    a one-time code for a new device
  ullage ledger --dir D --machine nw-01         where the fluid of a machine went
  ullage audit --dir D --machine nw-01 --json   every record of it, as written
  ullage dossier --dir D --visit V -o FILE      a file that proves a visit to a stranger; ullage verify FILE checks it
  ullage link --dir D                           a link that opens the office's pages
  ullage person add --dir D mara --role office  lets somebody sign in there
  ullage token make --dir D billing --role auditor --days 90   lets a program in
  ullage access --dir D                         who came in, and who read what

A centre on this machine is named by its folder (--dir, or the variable ULLAGE_DIR), another by --centre,
--token-file and --ca.
Times are RFC 3339 with zone, or a date, which means the end of that day in UTC.`

// Main runs the command line and returns the exit status. more are commands that are not the office's own.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer, more ...*cobra.Command) int {
	c := &client{stderr: stderr}
	root := &cobra.Command{Use: "ullage", Short: "The office's side of Ullage: what stands at each machine, where the fluid went, who recorded what", Long: about}
	root.PersistentFlags().StringVar(&c.dir, "dir", os.Getenv("ULLAGE_DIR"), "folder of a centre on this machine")
	root.PersistentFlags().StringVar(&c.centre, "centre", "", "address of a centre (its office address)")
	root.PersistentFlags().StringVar(&c.tokenFile, "token-file", "", "file with the token for --centre")
	root.PersistentFlags().StringVar(&c.ca, "ca", "", "file with the certificate to trust for --centre (ca.pem of the centre's folder)")
	root.AddCommand(c.alarms(), c.record(), c.enrol(), c.link(), c.machine(), c.ledger(), c.audit(), c.restatements(), c.waste(), c.due(), c.export(),
		c.dossier(), verify(), reckonCommand(), c.person(), c.tokens(), c.access(), c.erase(), c.erasures(), c.hold(), c.grant(), c.grants())
	root.AddCommand(c.fleet()...)
	root.AddCommand(more...)
	return command.Run(root, args, stdin, stdout, stderr)
}

var flagHelp = map[string]string{
	"machine":  "code of a machine; left out: all",
	"site":     "code of a site",
	"visit":    "UUID of a visit",
	"device":   "id of a device",
	"as-of":    "only what had happened by then",
	"known-at": "only what had been received by then",
	"since":    "only what was written then or later; a date means its beginning in UTC",
	"by":       "only what somebody did: a name, or local, link, person:NAME, token:NAME",
	"from":     "of a machine: only what happened from then on (a date: from its beginning in UTC)",
	"to":       "of a machine: only what happened up to then (a date: to its end in UTC)",
	"for":      "whom it is for; kept as evidence",
	"format":   "ndjson (entry lines, which record reads back) or csv",
}

// questionFlags gives a command the flags of a question, and returns how to read them.
func questionFlags(cmd *cobra.Command, names ...string) func() (url.Values, error) {
	for _, n := range names {
		cmd.Flags().String(n, "", flagHelp[n])
	}
	return func() (url.Values, error) {
		q := url.Values{}
		for _, n := range names {
			f := cmd.Flags().Lookup(n)
			if !f.Changed {
				continue
			}
			if f.Value.String() == "" {
				return nil, command.Wrong("%s: --%s is empty; leave it out, or say which", cmd.CommandPath(), n)
			}
			q.Set(n, f.Value.String())
		}
		return q, nil
	}
}

// withJSON gives a command the flag --json.
func withJSON(cmd *cobra.Command, help string) *bool { return cmd.Flags().Bool("json", false, help) }

// question makes a command that asks and prints: the JSON as it came, or the table that is made of it.
func (c *client) question(use, short, path string, names []string, table func(w io.Writer, answer []byte) error) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Args: command.Args(0, 0)}
	query := questionFlags(cmd, names...)
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q, err := query()
		if err != nil {
			return err
		}
		answer, err := c.ask(cmd.Context(), http.MethodGet, path, q, nil)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err := cmd.OutOrStdout().Write(answer)
			return err
		}
		w := tabwriter.NewWriter(cmd.OutOrStdout(), 2, 8, 2, ' ', 0)
		if err := table(w, answer); err != nil {
			return err
		}
		return w.Flush()
	}
	return cmd
}

// The most that the centre takes in one call.
const maxLines = 64 << 20

func (c *client) record() *cobra.Command {
	cmd := &cobra.Command{
		Use: "record [FILE or -]", Short: "Record entry lines as the office: the register, rounds, decisions", Args: command.Args(0, 1),
		Long: `record reads entry lines (JSON, one object a line) and returns when they are received. For each record it prints one
line {"seq","id","visit"}. With a bad line nothing is written, and the error names the line, the field and what would be
right.

  {"kind":"site.entered","site":"north-yard","body":{"name":"North Yard depot","customer":"C-4"}}

Should the records be kept at the centre and not received yet, the answers are printed, the exit status is 1, and the
centre goes on by itself: the same lines again would be records of their own, unless each has a "key".`,
		RunE: func(cmd *cobra.Command, args []string) error {
			in, err := command.Input(args, cmd.InOrStdin())
			if err != nil {
				return err
			}
			defer in.Close()
			lines, err := io.ReadAll(io.LimitReader(in, maxLines+1))
			if err != nil {
				return fmt.Errorf("read the lines: %w", err)
			}
			if len(lines) > maxLines {
				return fmt.Errorf("one call takes at most %d bytes of lines; give the rest in another", maxLines)
			}
			answers, err := c.ask(cmd.Context(), http.MethodPost, "/api/records", nil, lines)
			if said := (*refusal)(nil); errors.As(err, &said) {
				for _, a := range said.Kept {
					fmt.Fprintf(cmd.OutOrStdout(), "%s\n", a)
				}
			}
			if err != nil {
				return err
			}
			_, err = cmd.OutOrStdout().Write(answers)
			return err
		},
	}
	withJSON(cmd, "print JSON, as it does anyway")
	return cmd
}

func (c *client) enrol() *cobra.Command {
	cmd := &cobra.Command{
		Use: "enrol NAME", Short: "Make a one-time code that enrols a device under that name", Args: command.Args(1, 1),
		Long: `enrol prints a code that works once, for 15 minutes. NAME becomes the device's identity for ever: 1 to 64 letters,
digits, '-' and '_'. On the device:

  ullage-agent enrol --dir A --code CODE

The code holds the centre's address and the key that the device is to know it by. On a terminal it is drawn as a QR code
too, for a device with a camera. Whoever has it, within its time and before the device, is let in in its place: show it to
nobody else.`,
	}
	asJSON := withJSON(cmd, "print JSON")
	draw := cmd.Flags().Bool("qr", false, "draw the code as a QR code also where stdout is no terminal")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if *draw && *asJSON {
			return command.Wrong("%s: --qr and --json do not go together", cmd.CommandPath())
		}
		q, err := json.Marshal(map[string]string{"name": args[0]})
		if err != nil {
			return err
		}
		b, err := c.ask(cmd.Context(), http.MethodPost, "/api/codes", nil, q)
		if err != nil {
			return err
		}
		var answer struct {
			Code string `json:"code"`
		}
		if err := json.Unmarshal(b, &answer); err != nil {
			return notOurs(err)
		}
		if *asJSON {
			return json.NewEncoder(cmd.OutOrStdout()).Encode(answer)
		}
		fmt.Fprintln(cmd.ErrOrStderr(), "The code works once, within 15 minutes. On the device: ullage-agent enrol --dir A --code CODE")
		out := cmd.OutOrStdout()
		if _, err := fmt.Fprintln(out, answer.Code); err != nil || !*draw && !command.Terminal(out) {
			return err
		}
		return drawQR(out, answer.Code)
	}
	return cmd
}

func (c *client) link() *cobra.Command {
	cmd := &cobra.Command{
		Use: "link", Short: "Make a link that opens the office's pages in a browser", Args: command.Args(0, 0),
		Long: `link prints an address that lets one browser into the office's pages, as an admin, for whoever may read the centre's
folder is one. It works once, within an hour; the browser then stays in for twelve hours, for two without a look at a page,
or until the centre is started anew. For everybody else there is: ullage person add`,
	}
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		b, err := c.ask(cmd.Context(), http.MethodPost, "/api/links", nil, nil)
		if err != nil {
			return err
		}
		var answer struct {
			Path string `json:"path"`
		}
		if err := json.Unmarshal(b, &answer); err != nil {
			return notOurs(err)
		}
		at, err := c.find()
		if err != nil {
			return err
		}
		if *asJSON {
			return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]string{"link": at.base + answer.Path})
		}
		_, err = fmt.Fprintln(cmd.OutOrStdout(), at.base+answer.Path)
		return err
	}
	return cmd
}

func (c *client) export() *cobra.Command {
	cmd := &cobra.Command{
		Use: "export", Short: "Write every record, in the order of arrival", Args: command.Args(0, 0),
		Long: `export writes every record, in the order of arrival: as entry lines, which ullage record reads back to the same content,
or as a table for a spreadsheet (csv), where a text that a spreadsheet could take for a formula has an apostrophe before it.`,
	}
	query := questionFlags(cmd, "format")
	asJSON := withJSON(cmd, "the same as --format ndjson")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q, err := query()
		if err != nil {
			return err
		}
		if *asJSON && q.Get("format") == "csv" {
			return command.Wrong("%s: --json and --format csv do not go together", cmd.CommandPath())
		}
		body, err := c.do(cmd.Context(), http.MethodGet, "/api/export", q, nil)
		if err != nil {
			return err
		}
		defer body.Close()
		if _, err := io.Copy(cmd.OutOrStdout(), body); err != nil {
			return fmt.Errorf("the export broke off, what was written is not all: %w", err)
		}
		return nil
	}
	return cmd
}

func notOurs(err error) error { return fmt.Errorf("the centre's answer cannot be read: %w", err) }
