// Command devsim tries Ullage out where it hurts.
package main

import (
	"os"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
	"ullage/cmd/internal/storm"
)

func main() {
	if status, ok := storm.Child(); ok {
		os.Exit(status)
	}
	root := &cobra.Command{Use: "devsim", Short: "What breaks Ullage, for tests and measurements"}
	root.AddCommand(simCommand(), stormCommand(), defectsCommand())
	os.Exit(command.Run(root, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
