// Command devsim tries Ullage out where it hurts.
package main

import (
	"os"

	"github.com/spf13/cobra"

	"ullage/cmd/internal/command"
)

func main() {
	root := &cobra.Command{Use: "devsim", Short: "What breaks Ullage, for tests and measurements"}
	root.AddCommand(simCommand(), defectsCommand())
	os.Exit(command.Run(root, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}
