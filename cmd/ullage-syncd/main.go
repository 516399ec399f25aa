// Command ullage-syncd is the centre.
package main

import (
	"os"

	"ullage/cmd/internal/syncdcli"
)

func main() { os.Exit(syncdcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
