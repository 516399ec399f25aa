package wire_test

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"

	"ullage/events/wire"
)

const goldenCode = "U1-AAAQEAYEAUDAOCAJBIFQYDIOB4-aHR0cDovLzEyNy4wLjAuMTo0MDAw"

func checkCode(t *testing.T, s string) {
	t.Helper()
	c, err := wire.ParseCode(s)
	if err != nil {
		if !errors.Is(err, wire.ErrCode) || c != (wire.Code{}) {
			t.Fatalf("%q: %v, %v", s, c, err)
		}
		return
	}
	if c.String() != strings.TrimSpace(s) {
		t.Fatalf("%q is read, and written as %q", s, c)
	}
}

func TestCode(t *testing.T) {
	c := wire.Code{Address: "http://127.0.0.1:4000"}
	for i := range c.Secret {
		c.Secret[i] = byte(i)
	}
	if got := c.String(); got != goldenCode {
		t.Errorf("got %s, want %s", got, goldenCode)
	}
	for _, s := range []string{goldenCode, " " + goldenCode + "\r\n"} {
		if got, err := wire.ParseCode(s); err != nil || got != c {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
	secret, address := goldenCode[3:29], goldenCode[30:]
	for _, s := range []string{
		"", "U1", "U1--", "U1-" + secret, "U1-" + secret + "-", "U2-" + secret + "-" + address, "u1-" + secret + "-" + address,
		"U1-" + strings.ToLower(secret) + "-" + address,           // base32 has capitals
		"U1-" + secret[:25] + "5-" + address,                      // bits that are left over
		"U1-" + secret[:25] + "-" + address,                       // too short
		"U1-" + secret + "AA-" + address,                          // too long
		"U1-" + secret[:13] + "\n" + secret[13:] + "-" + address,  // a line break
		"U1-" + secret + "-" + address[:9] + "\r\n" + address[9:], // another
		"U1-" + secret + "-" + address + "=",
		"U1-" + secret + "-" + address + "!",
		"U1-" + secret + "-_w", // no UTF-8
		"U1-" + secret + "-" + strings.Repeat("QUFB", 1100),
	} {
		if got, err := wire.ParseCode(s); !errors.Is(err, wire.ErrCode) {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
	for i := range len(goldenCode) {
		checkCode(t, goldenCode[:i])
		for _, x := range []byte("\x00\n -_=7Zz~\xff") {
			checkCode(t, goldenCode[:i]+string([]byte{x})+goldenCode[i+1:])
			checkCode(t, goldenCode[:i]+string([]byte{x})+goldenCode[i:])
		}
	}
}

// TestEnrolJSON holds the names and the forms of both sides.
func TestEnrolJSON(t *testing.T) {
	for want, v := range map[string]any{
		`{"secret":"AAECAwQFBgcICQoLDA0ODw==","seal_key":"Aw==","conn_key":"UABC","software":"0.1.0"}`: wire.EnrolRequest{
			Secret: []byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}, SealKey: []byte{3}, ConnKey: "UABC", Software: "0.1.0"},
		`{"device":"tab-1","nats":"nats://127.0.0.1:4222","jwt":"a.b.c","gates":[{"gate":"gate-1","key":"Aw=="}],"log":"BA=="}`: wire.EnrolAnswer{
			Device: "tab-1", NATS: "nats://127.0.0.1:4222", JWT: "a.b.c", Gates: []wire.EnrolGate{{Gate: "gate-1", Key: []byte{3}}}, Log: []byte{4}},
		`{"error":"why"}`: wire.EnrolRefusal{Error: "why"},
	} {
		if got, err := json.Marshal(v); err != nil || string(got) != want {
			t.Errorf("got %s, %v; want %s", got, err, want)
		}
	}
}

// TestFormatText holds the examples of FORMAT.md.
func TestFormatText(t *testing.T) {
	b, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for _, want := range []string{"    " + goldenCode + "\n", receiptBytes()} {
		if !strings.Contains(text, want) {
			t.Errorf("FORMAT.md does not have\n%s", want)
		}
	}
}
