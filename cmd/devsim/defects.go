package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/planted"
)

func defectsCommand() *cobra.Command {
	var list bool
	cmd := &cobra.Command{
		Use: "defects [NAME…]", Short: "Put deliberate defects into the code, and see whether the tests notice",
		Long: `defects changes the code for the worse, one small defect at a time, in a copy of the source, and runs the tests that
must notice: first without the defect, then with it. It prints which tests failed. The exit status is 1 where a defect
was noticed by none. It is run from within the source, and needs the go command.`,
		RunE: func(cmd *cobra.Command, names []string) (err error) {
			chosen, err := choose(names)
			if err != nil {
				return err
			}
			if list {
				out := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
				for _, d := range chosen {
					fmt.Fprintf(out, "%s\t%s\t%s\n", d.Name, d.File, d.What)
				}
				return out.Flush()
			}
			root, err := moduleRoot()
			if err != nil {
				return err
			}
			r, err := planted.NewRunner(root)
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, r.Close()) }()
			missed := 0
			for i, d := range chosen {
				fmt.Fprintf(cmd.ErrOrStderr(), "%d of %d: %s\n", i+1, len(chosen), d.What)
				got, err := r.Run(cmd.Context(), d)
				if err != nil {
					return err
				}
				by := strings.Join(got.By, ", ")
				if by == "" {
					by = "NOTHING"
					missed++
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%-34s %6.1f s  %s\n", d.Name, got.Took.Seconds(), by)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d defects, %d noticed\n", len(chosen), len(chosen)-missed)
			if missed > 0 {
				return fmt.Errorf("nothing has noticed %d of %d defects", missed, len(chosen))
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&list, "list", false, "only list them")
	return cmd
}

// choose returns the defects with the given names; with none, all.
func choose(names []string) (chosen []*planted.Defect, err error) {
	wanted := map[string]bool{}
	for _, n := range names {
		wanted[n] = true
	}
	for i := range planted.Defects {
		d := &planted.Defects[i]
		if len(names) == 0 || wanted[d.Name] {
			chosen = append(chosen, d)
		}
		delete(wanted, d.Name)
	}
	for n := range wanted {
		return nil, command.Wrong("there is no defect %q; devsim defects --list shows them", n)
	}
	return chosen, nil
}

// moduleRoot is the top of the source that the working folder is in.
func moduleRoot() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for at := dir; ; at = filepath.Dir(at) {
		if f, err := os.Open(filepath.Join(at, "go.mod")); err == nil {
			first, _ := bufio.NewReader(f).ReadString('\n')
			f.Close()
			if strings.TrimSpace(first) == "module ullage" {
				return at, nil
			}
		}
		if at == filepath.Dir(at) {
			return "", fmt.Errorf("%s is not in the source of ullage", dir)
		}
	}
}
