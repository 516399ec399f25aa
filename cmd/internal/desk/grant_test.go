package desk_test

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// An integrator comes in with what the office hands over, a client of the usual kind, and the centre's certificate. The
// access journal tells who was let in, and revoking ends it while they are connected.
func TestIntegrator(t *testing.T) {
	c := newCentre(t)
	status, body := c.ask(c.token(), "POST", "/api/grants", `{"name":"billing","feed":"feed.north-yard.>","days":90}`)
	var g struct{ NATS, Stream, Consumer, Credentials string }
	if err := json.Unmarshal([]byte(body), &g); err != nil || status != http.StatusOK || !strings.HasPrefix(g.NATS, "tls://") {
		t.Fatalf("%d %s", status, body)
	}
	file := filepath.Join(t.TempDir(), "billing.creds")
	if err := os.WriteFile(file, []byte(g.Credentials), 0o600); err != nil {
		t.Fatal(err)
	}
	closed := make(chan struct{})
	nc, err := nats.Connect(g.NATS, nats.UserCredentials(file), nats.RootCAs(filepath.Join(c.dir, "ca.pem")), nats.TLSHandshakeFirst(),
		nats.ReconnectWait(10*time.Millisecond), nats.ClosedHandler(func(*nats.Conn) { close(closed) }))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	consumer, err := js.Consumer(t.Context(), g.Stream, g.Consumer)
	if err != nil {
		t.Fatal(err)
	}
	if batch, err := consumer.FetchNoWait(10); err != nil || batch.Error() != nil {
		t.Errorf("pulling: %v", err)
	}

	if status, body := c.ask(c.token(), "DELETE", "/api/grants/nobody", ""); status != http.StatusNotFound {
		t.Errorf("%d %s", status, body)
	}
	if status, body := c.ask(c.token(), "DELETE", "/api/grants/billing", ""); status != http.StatusOK {
		t.Fatalf("%d %s", status, body)
	}
	select {
	case <-closed:
	case <-time.After(10 * time.Second):
		t.Fatal("still connected")
	}
	if told := strings.Join(c.told(), "\n"); !strings.Contains(told, "grant made") || !strings.Contains(told, "grant revoked") {
		t.Errorf("the access journal tells %s", told)
	}
	if list := c.get("/api/grants"); !strings.Contains(list, `"in_force":false`) || strings.Contains(list, "SEED") {
		t.Errorf("grants: %s", list)
	}
}
