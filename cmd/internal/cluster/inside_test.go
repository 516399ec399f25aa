package cluster

import (
	"encoding/json"
	"path/filepath"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"ullage/events/wire"
)

// inside connects into the centre's room with its keys, as only these tests do, to ask on some subjects.
func (w *world) inside(subjects ...string) *nats.Conn {
	w.t.Helper()
	var keys struct{ Centre string }
	if err := json.Unmarshal([]byte(read(w.t, w.dir, "centre", "keys", "centre.json")), &keys); err != nil {
		w.t.Fatal(err)
	}
	account, err := nkeys.FromSeed([]byte(keys.Centre))
	if err != nil {
		w.t.Fatal(err)
	}
	user, err := nkeys.CreateUser()
	if err != nil {
		w.t.Fatal(err)
	}
	public, err := user.PublicKey()
	if err != nil {
		w.t.Fatal(err)
	}
	claims := jwt.NewUserClaims(public)
	claims.Pub.Allow.Add(subjects...)
	claims.Sub.Allow.Add("_in.test.>")
	token, err := claims.Encode(account)
	if err != nil {
		w.t.Fatal(err)
	}
	seed, err := user.Seed()
	if err != nil {
		w.t.Fatal(err)
	}
	nc, err := nats.Connect(w.urls(), nats.UserJWTAndSeed(token, string(seed)), nats.CustomInboxPrefix("_in.test"), nats.TLSHandshakeFirst(),
		nats.RootCAs(filepath.Join(w.folder(0), "ca.pem")), nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond),
		nats.PingInterval(time.Second), nats.MaxPingsOutstanding(2))
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(nc.Close)
	return nc
}

// records is RECORDS, to be looked at.
func (w *world) records() jetstream.Stream {
	w.t.Helper()
	js, err := jetstream.New(w.inside("$JS.API.STREAM.INFO." + wire.Records.Name))
	if err != nil {
		w.t.Fatal(err)
	}
	s, err := js.Stream(w.t.Context(), wire.Records.Name)
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}
