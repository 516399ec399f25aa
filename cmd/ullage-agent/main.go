// Command ullage-agent is the device: it keeps records where the work is, and brings them to the centre.
package main

import (
	"os"

	"ullage/cmd/internal/agentcli"
)

func main() { os.Exit(agentcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }
