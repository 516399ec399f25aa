package officecli

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/projections/handbook/reckon"
)

// reckonCommand needs no centre: each of the handbook's formulas is a command of its own.
func reckonCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use: "reckon NAME key=value …", Short: "Reckon with one of the handbook's formulas, with no centre",
		Long: `reckon gives what a formula of the trade comes to, with its source and with what to mind. Without a name it lists them; each
has a --help of its own with an example. A value is a number in the key's own unit, or a number with a UCUM code behind it:

  ullage reckon top-up volume=150 strength=3 to-volume=200 to-strength=5
  ullage reckon tank-volume shape=vertical-cylinder diameter=572 height=850 depth=10[in_i]

A result is an estimate. What is done with it follows the safety data sheet, local codes, and licensed practice.`,
	}
	asJSON := cmd.PersistentFlags().Bool("json", false, "print JSON")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if len(args) > 0 {
			return command.Wrong("there is no formula %q; ullage reckon lists them", args[0])
		}
		return listFormulas(cmd.OutOrStdout(), *asJSON)
	}
	cmd.Args = cobra.ArbitraryArgs
	for i := range reckon.Formulas {
		cmd.AddCommand(formulaCommand(&reckon.Formulas[i], asJSON))
	}
	return cmd
}

func listFormulas(w io.Writer, asJSON bool) error {
	type formula struct {
		Name    string   `json:"name"`
		What    string   `json:"what"`
		Keys    []string `json:"keys"`
		Results []string `json:"results"`
	}
	all := []formula{}
	for _, f := range reckon.Formulas {
		one := formula{f.Name, f.What, []string{}, f.Results}
		for _, k := range f.Keys {
			one.Keys = append(one.Keys, k.Name)
		}
		all = append(all, one)
	}
	if asJSON {
		return json.NewEncoder(w).Encode(map[string]any{"formulas": all})
	}
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, f := range all {
		fmt.Fprintf(out, "%s\t%s\n", f.Name, f.What)
	}
	return out.Flush()
}

func formulaCommand(f *reckon.Formula, asJSON *bool) *cobra.Command {
	var long strings.Builder
	fmt.Fprintf(&long, "%s: %s.\n\n", f.Name, f.What)
	out := tabwriter.NewWriter(&long, 2, 0, 2, ' ', 0)
	for _, k := range f.Keys {
		what := k.What
		if k.Unit != "" && k.Unit != "1" {
			what += ", in " + k.Unit
		}
		if k.Optional {
			what += " (may be left out)"
		}
		fmt.Fprintf(out, "  %s\t%s\n", k.Name, what)
	}
	out.Flush()
	fmt.Fprintf(&long, "\nIt gives %s.\n", strings.Join(f.Results, ", "))
	if worked, err := f.Do(strings.Fields(f.Example)); err == nil { // a test holds every example
		fmt.Fprintf(&long, "\n  ullage reckon %s %s\n", f.Name, f.Example)
		for _, line := range fields(worked.Result) {
			fmt.Fprintf(&long, "    %s\n", line)
		}
	}
	fmt.Fprintf(&long, "\nSource: %s.", strings.Join(f.Source, "; "))
	return &cobra.Command{
		Use: f.Name + " key=value …", Short: f.What, Long: long.String(), Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			got, err := f.Do(args)
			if err != nil {
				return fmt.Errorf("%w; see ullage reckon %s --help", err, f.Name)
			}
			w := cmd.OutOrStdout()
			if *asJSON {
				out := json.NewEncoder(w)
				out.SetEscapeHTML(false)
				return out.Encode(got)
			}
			for _, line := range fields(got.Result) {
				fmt.Fprintln(w, line)
			}
			fmt.Fprintf(w, "\nfrom %s\n", strings.Join(fields(got.Inputs), ", "))
			for _, s := range got.Source {
				fmt.Fprintf(w, "source: %s\n", s)
			}
			for _, s := range got.Cautions {
				fmt.Fprintf(w, "mind: %s\n", s)
			}
			return nil
		},
	}
}

// fields are the fields of a result, as people read them.
func fields(all map[string]any) (lines []string) {
	for _, name := range slices.Sorted(maps.Keys(all)) {
		lines = append(lines, name+" "+readable(all[name]))
	}
	return lines
}

func readable(x any) string {
	switch x := x.(type) {
	case nil:
		return "none"
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case float64:
		return strconv.FormatFloat(x, 'g', 6, 64)
	case []float64:
		var all []string
		for _, y := range x {
			all = append(all, readable(y))
		}
		return strings.Join(all, ", ")
	case []string:
		if len(x) == 0 {
			return "none"
		}
		return strings.Join(x, ", ")
	}
	return fmt.Sprint(x)
}
