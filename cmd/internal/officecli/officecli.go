// Package officecli is the command line of the office: it asks a running centre over HTTP and prints what it says.
package officecli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

// Main runs the command line and returns the exit status. more are commands that are not the office's own.
func Main(args []string, stdin io.Reader, stdout, stderr io.Writer, more ...*cobra.Command) int {
	c := &client{}
	root := &cobra.Command{
		Use:   "ullage",
		Short: "The office's side of Ullage: what stands at each machine, where the fluid went, who recorded what",
		Long: `ullage asks a running centre and prints what it answers.

  ullage demo                                   the whole job on an invented company; begin here
  ullage record --dir D register.ndjson         enter the register, rounds and decisions
  ullage enrol --dir D tab-1                    a one-time code for a new device
  ullage ledger --dir D --machine nw-01         where the fluid of a machine went
  ullage audit --dir D --machine nw-01 --json   every record of it, as written

A centre on this machine is named by its folder (--dir, or the variable ULLAGE_DIR), another by --centre and --token-file.
Times are RFC 3339 with zone, or a date, which means the end of that day in UTC.`,
	}
	root.PersistentFlags().StringVar(&c.dir, "dir", os.Getenv("ULLAGE_DIR"), "folder of a centre on this machine")
	root.PersistentFlags().StringVar(&c.centre, "centre", "", "address of a centre (its office address)")
	root.PersistentFlags().StringVar(&c.tokenFile, "token-file", "", "file with the token for --centre")
	root.AddCommand(c.record(), c.enrol(), c.machine(), c.ledger(), c.audit(), c.restatements(), c.waste(), c.due(), c.export())
	root.AddCommand(more...)
	return command.Run(root, args, stdin, stdout, stderr)
}

// client speaks to one centre.
type client struct{ dir, centre, tokenFile string }

// open finds the centre's address and the token.
func (c *client) open() (base, token string, err error) {
	base, tokenFile := c.centre, c.tokenFile
	switch {
	case base == "" && c.dir == "":
		return "", "", command.Wrong("name the centre: --dir D for one on this machine, or --centre URL with --token-file F")
	case base != "" && tokenFile == "":
		return "", "", command.Wrong("--centre needs --token-file")
	case base == "":
		b, err := os.ReadFile(filepath.Join(c.dir, "centre.json"))
		if errors.Is(err, os.ErrNotExist) {
			return "", "", fmt.Errorf("no centre runs in %s; start it with: ullage-syncd serve --dir %s", c.dir, c.dir)
		}
		if err != nil {
			return "", "", err
		}
		var a struct {
			Office string `json:"office"`
		}
		if err := json.Unmarshal(b, &a); err != nil || a.Office == "" {
			return "", "", fmt.Errorf("%s does not hold the addresses of a centre", filepath.Join(c.dir, "centre.json"))
		}
		base, tokenFile = a.Office, filepath.Join(c.dir, "token")
	}
	b, err := os.ReadFile(tokenFile)
	if err != nil {
		return "", "", fmt.Errorf("token: %w", err)
	}
	return strings.TrimSuffix(base, "/"), strings.TrimSpace(string(b)), nil
}

// do asks and returns the body of a good answer; anything else is an error in the centre's words.
func (c *client) do(ctx context.Context, method, path string, query url.Values, body io.Reader) (io.ReadCloser, error) {
	base, token, err := c.open()
	if err != nil {
		return nil, err
	}
	r, err := http.NewRequestWithContext(ctx, method, base+path+"?"+query.Encode(), body)
	if err != nil {
		return nil, err
	}
	r.Header.Set("Authorization", "Bearer "+token)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, fmt.Errorf("the centre at %s does not answer: %w", base, err)
	}
	if answer.StatusCode == http.StatusOK {
		return answer.Body, nil
	}
	defer answer.Body.Close()
	var said struct {
		Error string `json:"error"`
	}
	if err := json.NewDecoder(io.LimitReader(answer.Body, 1<<20)).Decode(&said); err != nil || said.Error == "" {
		return nil, fmt.Errorf("the centre answers %s", answer.Status)
	}
	return nil, errors.New(said.Error)
}

// print asks and prints: the JSON as it came, or what table makes of it.
func (c *client) print(cmd *cobra.Command, path string, query url.Values, asJSON bool, table func(w io.Writer, answer []byte) error) error {
	body, err := c.do(cmd.Context(), http.MethodGet, path, query, nil)
	if err != nil {
		return err
	}
	defer body.Close()
	answer, err := io.ReadAll(body)
	if err != nil {
		return fmt.Errorf("the centre's answer broke off: %w", err)
	}
	if asJSON {
		_, err := cmd.OutOrStdout().Write(answer)
		return err
	}
	w := tabwriter.NewWriter(cmd.OutOrStdout(), 2, 8, 2, ' ', 0)
	if err := table(w, answer); err != nil {
		return err
	}
	return w.Flush()
}

// flags of a question.
type flags struct {
	names  []string
	values map[string]*string
	json   bool
}

var flagHelp = map[string]string{
	"machine":  "code of a machine; left out: all",
	"site":     "code of a site",
	"visit":    "UUID of a visit",
	"device":   "id of a device",
	"as-of":    "only what had happened by then",
	"known-at": "only what had been received by then",
	"format":   "ndjson (entry lines, which record reads back) or csv",
}

func questionFlags(cmd *cobra.Command, names ...string) *flags {
	f := &flags{names: names, values: map[string]*string{}}
	for _, n := range names {
		f.values[n] = cmd.Flags().String(n, "", flagHelp[n])
	}
	return f
}

func (f *flags) withJSON(cmd *cobra.Command) *flags {
	cmd.Flags().BoolVar(&f.json, "json", false, "print JSON")
	return f
}

func (f *flags) query() url.Values {
	q := url.Values{}
	for _, n := range f.names {
		if v := *f.values[n]; v != "" {
			q.Set(n, v)
		}
	}
	return q
}

func (c *client) question(use, short, path string, names []string, table func(io.Writer, []byte) error) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Args: command.Args(0, 0)}
	f := questionFlags(cmd, names...).withJSON(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return c.print(cmd, path, f.query(), f.json, table)
	}
	return cmd
}

func (c *client) record() *cobra.Command {
	return &cobra.Command{
		Use: "record [FILE or -]", Short: "Record entry lines as the office: the register, rounds, decisions", Args: command.Args(0, 1),
		Long: `record reads entry lines (JSON, one object a line) and returns when they are received. For each record it prints one
line {"seq","id","visit"}. With a bad line nothing is written, and the error names the line, the field and what would be
right.

  {"kind":"site.entered","site":"north-yard","body":{"name":"North Yard depot","customer":"C-4"}}`,
		RunE: func(cmd *cobra.Command, args []string) error {
			in, err := command.Input(args, cmd.InOrStdin())
			if err != nil {
				return err
			}
			defer in.Close()
			body, err := c.do(cmd.Context(), http.MethodPost, "/api/records", nil, in)
			if err != nil {
				return err
			}
			defer body.Close()
			_, err = io.Copy(cmd.OutOrStdout(), body)
			return err
		},
	}
}

func (c *client) enrol() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use: "enrol NAME", Short: "Make a one-time code that enrols a device under that name", Args: command.Args(1, 1),
		Long: `enrol prints a code that works once, for 15 minutes. NAME becomes the device's identity for ever: 1 to 64 letters,
digits, '-' and '_'. On the device:

  ullage-agent enrol --dir A --code CODE`,
		RunE: func(cmd *cobra.Command, args []string) error {
			q, err := json.Marshal(map[string]string{"name": args[0]})
			if err != nil {
				return err
			}
			body, err := c.do(cmd.Context(), http.MethodPost, "/api/codes", nil, bytes.NewReader(q))
			if err != nil {
				return err
			}
			defer body.Close()
			var answer struct {
				Code string `json:"code"`
			}
			if err := json.NewDecoder(body).Decode(&answer); err != nil {
				return fmt.Errorf("the centre's answer: %w", err)
			}
			if asJSON {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(answer)
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "The code works once, within 15 minutes. On the device: ullage-agent enrol --code CODE\n")
			_, err = fmt.Fprintln(cmd.OutOrStdout(), answer.Code)
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func (c *client) export() *cobra.Command {
	cmd := &cobra.Command{Use: "export", Short: "Write every record, in the order of arrival", Args: command.Args(0, 0)}
	f := questionFlags(cmd, "format")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		body, err := c.do(cmd.Context(), http.MethodGet, "/api/export", f.query(), nil)
		if err != nil {
			return err
		}
		defer body.Close()
		if _, err := io.Copy(cmd.OutOrStdout(), body); err != nil {
			return fmt.Errorf("the export broke off: %w", err)
		}
		return nil
	}
	return cmd
}
