package officecli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/events/dossier"
	"ullage/syncd/trust/disk"
)

func (c *client) dossier() *cobra.Command {
	cmd := &cobra.Command{
		Use: "dossier -o FILE", Short: "Make a file that proves a visit, or a machine's history, to a stranger", Args: command.Args(0, 0),
		Long: `dossier writes one file (a ZIP archive) with the original records of a visit, or of a machine and a time, and all that proves
them. Whoever gets it checks it with ullage verify, or with a program of their own, for which the file says how.

  ullage dossier --dir D --visit 019c936e-3be8-7509-93ce-191176cb259b -o visit.zip --for "Inspector Hale"
  ullage dossier --dir D --machine nw-01 --from 2026-03-01 --to 2026-03-31 -o march.zip

Evidence that the centre holds goes with it: names, signatures and pictures too. The centre writes down that the dossier was
made, for whom, and which evidence it has. A file that is there already is not overwritten.`,
	}
	query := questionFlags(cmd, "visit", "machine", "from", "to", "for")
	out := cmd.Flags().StringP("out", "o", "", "the file to write")
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		q, err := query()
		if err != nil {
			return err
		}
		switch {
		case *out == "":
			return command.Wrong("%s: say where to: -o FILE", cmd.CommandPath())
		case q.Has("visit") == q.Has("machine"):
			return command.Wrong("%s: a dossier is of a visit or of a machine: give one of --visit and --machine", cmd.CommandPath())
		}
		path, err := filepath.Abs(*out)
		if err != nil {
			return err
		}
		if _, err := os.Lstat(path); !errors.Is(err, os.ErrNotExist) {
			if err == nil {
				err = fmt.Errorf("%s is there already; name another file, or move that one away", *out)
			}
			return err
		}
		if _, err := os.Stat(filepath.Dir(path)); err != nil { // before the centre writes down that it was made
			return err
		}
		body, err := c.do(cmd.Context(), http.MethodGet, "/api/dossier", q, nil)
		if err != nil {
			return err
		}
		defer body.Close()
		file, err := io.ReadAll(io.LimitReader(body, dossier.MaxFile+1))
		if err != nil {
			return fmt.Errorf("the centre's answer broke off, nothing was written: %w", err)
		}
		// What is given out has been checked on this side too, by what its reader will use.
		report, err := dossier.Verify(file, "")
		if err != nil {
			return fmt.Errorf("what the centre answered is not given out: %w", err)
		}
		if err := disk.WriteFile(path, file); err != nil {
			return err
		}
		if *asJSON {
			return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]any{
				"file": path, "digest": report.Digest, "bytes": len(file), "shows": report.Shows, "holds": report.Holds, "key": report.Key,
			})
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s\n%s\n", *out, report.Shows)
		fmt.Fprintf(cmd.ErrOrStderr(), "Give the key of the log to the reader another way than with the file: %s\n", report.Key)
		return nil
	}
	return cmd
}

// verify needs no centre.
func verify() *cobra.Command {
	cmd := &cobra.Command{
		Use: "verify FILE", Short: "Check a dossier, with no network and no centre", Args: command.Args(1, 1),
		Long: `verify says first what a dossier shows and what it does not, and then, a line each, whether its claims hold. It exits with 1
where one fails, or where the file is no dossier. It asks nobody: the file has all that is needed, but for a key that you can trust.

  ullage verify visit.zip --key ullage.log/0011223344556677/1+12345678+AbCd…

--key is the key of the centre's public log, as you have it from elsewhere. Without it, the file is checked against the key in
the file, which is printed.`,
	}
	key := cmd.Flags().String("key", "", "the key of the log, from elsewhere than the file: NAME+12345678+BASE64")
	asJSON := withJSON(cmd, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if cmd.Flag("key").Changed && *key == "" {
			return command.Wrong("%s: --key is empty; leave it out, or give the key", cmd.CommandPath())
		}
		file, err := readDossier(args[0])
		if err != nil {
			return err
		}
		report, err := dossier.Verify(file, *key)
		switch {
		case errors.Is(err, dossier.ErrRefused):
			return fmt.Errorf("%s: %w", args[0], err)
		case err != nil:
			return command.Wrong("%s: --key: %v", cmd.CommandPath(), err)
		}
		w := cmd.OutOrStdout()
		if *asJSON {
			out := json.NewEncoder(w)
			out.SetEscapeHTML(false)
			err = out.Encode(report)
		} else {
			err = printReport(w, report)
		}
		if err == nil && !report.Holds {
			err = command.ErrSilent
		}
		return err
	}
	return cmd
}

func printReport(w io.Writer, r *dossier.Report) error {
	if _, err := fmt.Fprintf(w, "%s\n\n", plain(r.Shows)); err != nil {
		return err
	}
	for _, c := range r.Claims {
		if _, err := fmt.Fprintf(w, "%-12s %s: %s\n", c.Verdict, plain(c.Name), plain(c.Words)); err != nil {
			return err
		}
	}
	return nil
}

// readDossier reads a file of which no more is taken into memory than a dossier may have.
func readDossier(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, dossier.MaxFile+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", path, err)
	}
	return b, nil
}
