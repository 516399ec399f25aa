package agentcli_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"ullage/cmd/internal/agentcli"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"ullage-agent": func() { os.Exit(agentcli.Main(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) },
	})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{Dir: "testdata/script", RequireExplicitExec: true, RequireUniqueNames: true})
}

// TestWhatIsLinked holds the device's binary small: neither the broker, nor the database, nor the PDF library, nor
// anything of the centre.
func TestWhatIsLinked(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "ullage/cmd/ullage-agent").Output()
	if err != nil {
		t.Fatal(err)
	}
	deps := strings.Fields(string(out))
	if len(deps) < 50 {
		t.Fatalf("only %d packages: %v", len(deps), deps)
	}
	for _, dep := range deps {
		for _, no := range []string{"nats-server", "sqlite", "fpdf", "ullage/syncd", "jetstream", "database/sql"} {
			if strings.Contains(dep, no) {
				t.Errorf("it links %s", dep)
			}
		}
	}
}
